"""The catalogue of parts: look up, list, search. Its data are `catalogue.toml`, read on first use.

Must not know what a part is used for.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path

from paramstore.schema.part import Part, WriteProtect
from paramstore.schema.part_table import part_from_table

__all__ = ["all_parts", "find", "names", "part_from_table", "search"]

_ORDER_SUFFIX = re.compile(r"T?[-/ ].*", re.IGNORECASE)
"""What makers add to a name when they sell it: `T` for tape, package, temperature."""

_ST_OPTION = re.compile(r"M24.*-[A-Z]+", re.IGNORECASE)
"""ST writes package letters right behind the option that is part of the name: M24C32-WMN6TP."""


_HEADING = re.compile(r"^\[part\.([A-Za-z0-9_-]+)\]$", re.MULTILINE)


@cache
def _sections() -> dict[str, str]:
    """Return the TOML text of each part by its name. One part is read at a time: a schema needs
    one, and reading them all takes longer than everything else that is done with a dump."""
    text = Path(__file__).with_name("catalogue.toml").read_text("utf-8")
    starts = [(m[1], m.start()) for m in _HEADING.finditer(text)]
    ends = [at for _, at in starts[1:]] + [len(text)]
    return {name: text[start:end] for (name, start), end in zip(starts, ends, strict=True)}


@cache
def _part(name: str) -> Part:
    keys = tomllib.loads(_sections()[name])["part"][name]
    return part_from_table({"name": name, **keys})


def all_parts() -> tuple[Part, ...]:
    """Return every part, small ones first."""
    return tuple(map(_part, _sections()))


def names() -> tuple[str, ...]:
    """Return the name of every part in the order of `all_parts`."""
    return tuple(_sections())


def find(name: str) -> Part | None:
    """Return the part called `name`, in either case and also with an ordering suffix, or None.

    >>> find("24lc32a").name, find("24LC32AT-I/SN").name, find("M24C32-WMN6TP").name
    ('24LC32A', '24LC32A', 'M24C32-W')
    """
    wanted = name.strip().upper()
    fitting = [n for n in _sections() if _names(wanted, n.upper())]
    return _part(max(fitting, key=len)) if fitting else None


def _names(wanted: str, name: str) -> bool:
    """Return whether `wanted` is `name`, alone or with an ordering suffix."""
    if not wanted.startswith(name):
        return False
    suffix = wanted[len(name):]
    return (not suffix or _ORDER_SUFFIX.fullmatch(suffix) is not None
            or (_ST_OPTION.fullmatch(name) is not None and suffix[0] in "BDM"))


def search(
    text: str = "",
    *,
    capacity: tuple[int, int] | None = None,
    page: int | None = None,
    supply_v: float | None = None,
    bus_khz: int | None = None,
    protect: WriteProtect | None = None,
) -> tuple[Part, ...]:
    """Return the parts that fit everything asked for, in the order of `all_parts`.

    Each word of `text` must stand in the name or begin a word of maker and note; `capacity` is
    (least, most) bytes; `supply_v` must lie in the part's range; `bus_khz` must be allowed at that
    supply, or at some supply if none is given.
    """
    words = text.lower().split()
    return tuple(
        p for p in all_parts()
        if all(_mentions(p, w) for w in words)
        and (capacity is None or capacity[0] <= p.capacity <= capacity[1])
        and (page is None or p.page == page)
        and (protect is None or p.write_protect is protect)
        and (supply_v is None or p.supply_min_v <= supply_v <= p.supply_max_v)
        and (bus_khz is None or bus_khz <= p.highest_khz(supply_v))
    )


def _mentions(part: Part, word: str) -> bool:
    told = f"{part.maker} {part.note}".lower().split()
    return word in part.name.lower() or any(w.startswith(word) for w in told)
