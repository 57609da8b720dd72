"""The keys that describe a part in TOML, as data, and a `Part` made from such a table.

One table of keys serves the catalogue, an inline `[store.part]`, its checks and the JSON Schema.
Must not know where in a file a value stands: a `Problem` names the path, the caller the place.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from decimal import Decimal
from enum import StrEnum
from typing import Any, NamedTuple

from paramstore.core.errors import ToolError
from paramstore.core.text import first_unprintable
from paramstore.schema.part import Part, WriteProtect

__all__ = ["KEYS", "Form", "Key", "Problem", "part_from_table", "problems"]


class Form(StrEnum):
    """What a value of the table looks like in TOML."""

    TEXT = "text"
    INTEGER = "integer"
    NUMBER = "number"
    POINTS = "points"  # a list of pairs of numbers, the first of each pair rising
    SOURCES = "sources"  # a table: source -> list of the keys it vouches for


Range = tuple[float, float]
"""Smallest and largest value allowed, both included."""


class Key(NamedTuple):
    """One key. It is required if `default` is None; `ranges` has one range for a number, two for
    the pairs of points; `choices` lists every value allowed where those are few, `also` those that
    are allowed outside of the range."""

    name: str
    form: Form
    doc: str
    default: Any = None
    ranges: tuple[Range, ...] = ()
    choices: tuple[Any, ...] = ()
    also: tuple[Any, ...] = ()


KEYS: dict[str, Key] = {
    key.name: key
    for key in (
        Key("name", Form.TEXT, "name of the part"),
        Key("maker", Form.TEXT, "who makes it", ""),
        Key("capacity", Form.INTEGER, "bytes", choices=tuple(128 << n for n in range(13))),
        Key("page", Form.INTEGER, "bytes of a page", choices=(8, 16, 32, 64, 128, 256)),
        Key("address_bytes", Form.INTEGER, "memory-address bytes on the bus", choices=(1, 2)),
        Key("block_shift", Form.INTEGER, "bit of the 7-bit device address that holds the lowest "
            "memory-address bit beyond those bytes", 0, choices=(0, 1, 2)),
        Key("write_ms", Form.NUMBER, "longest write cycle, ms; FRAM has none", ranges=((0.1, 30),),
            also=(0,)),
        Key("endurance", Form.POINTS, "pairs of temperature in degC and write cycles of a page",
            ranges=((-55, 175), (1e3, 1e16))),
        Key("retention_years", Form.NUMBER, "years it keeps data", 10, ((1, 1000),)),
        Key("clocks", Form.POINTS, "pairs of lowest supply in V and highest SCL in kHz",
            ranges=((0.8, 6), (10, 5000))),
        Key("write_protect", Form.TEXT, "what the write-protect pin covers", "none",
            choices=tuple(w.value for w in WriteProtect)),
        Key("write_ma", Form.NUMBER, "largest current in a write, mA", 5, ((0.01, 100),)),
        Key("read_ma", Form.NUMBER, "largest current in a read, mA", 3, ((0.01, 100),)),
        Key("standby_ua", Form.NUMBER, "largest current at rest, uA", 50, ((0.001, 1000),)),
        Key("supply_max_v", Form.NUMBER, "highest supply, V", 5.5, ((0.8, 6),)),
        Key("serial_bits", Form.INTEGER, "bits of a serial number that its maker wrote", 0,
            choices=(0, 32, 48, 64, 128)),
        Key("lockable_bytes", Form.INTEGER, "bytes of a page beside the array that can be locked "
            "for good", 0, choices=(0, 16, 32, 64, 128, 256)),
        Key("note", Form.TEXT, "what else its user should know", ""),
        Key("sources", Form.SOURCES, "source -> list of the keys it vouches for", {}),
    )
}
"""Every key, in the order of a table. The defaults are cautious ones for an inline part."""

Path = tuple[str | int, ...]


class Problem(NamedTuple):
    """One mistake in a table: the keys and indexes that lead to it, what, and how to mend it.

    An empty path means the table as a whole (a key is missing).
    """

    path: Path
    message: str
    help: str


def problems(table: Mapping[str, Any]) -> tuple[Problem, ...]:
    """Return every mistake in a part's table, in the order of the keys; () if it is sound.

    Numbers may be int, float or Decimal. Keys that take part in a mistake are not reported twice.
    """
    found = [*_unknown(table), *_missing(table)]
    for name, key in KEYS.items():
        if name in table:
            found += _value(key, table[name])
    return tuple(found) or tuple(_together(table))


def part_from_table(table: Mapping[str, Any]) -> Part:
    """Return the part that `table` describes; ToolError if `problems` finds any."""
    found = problems(table)
    if found:
        where = ".".join(str(step) for step in found[0].path)
        raise ToolError(f"part {table.get('name', '')!s}: {where}: {found[0].message}",
                        found[0].help)
    value = {n: table.get(n, k.default) for n, k in KEYS.items()}
    value |= {n: float(value[n]) for n, k in KEYS.items() if k.form is Form.NUMBER}
    sources = {name: source for source, names in value["sources"].items() for name in names}
    return Part(**value | {
        "block_bits": _block_bits(value["capacity"], value["address_bytes"]),
        "endurance": tuple((float(t), float(n)) for t, n in value["endurance"]),
        "clocks": tuple((float(v), int(f)) for v, f in value["clocks"]),
        "write_protect": WriteProtect(value["write_protect"]),
        "sources": tuple((n, sources[n]) for n in KEYS if n in sources),
    })


def _block_bits(capacity: int, address_bytes: int) -> int:
    return max(0, capacity.bit_length() - 1 - 8 * address_bytes)


def _unknown(table: Mapping[str, Any]) -> Iterator[Problem]:
    for name in table:
        if name not in KEYS:
            import difflib

            near = difflib.get_close_matches(name, KEYS, n=1)
            yield Problem((name,), f"unknown key `{name}` in a part",
                          f"did you mean `{near[0]}`?" if near else "keys: " + ", ".join(KEYS))


def _missing(table: Mapping[str, Any]) -> Iterator[Problem]:
    for key in KEYS.values():
        if key.default is None and key.name not in table:
            yield Problem((), f"the part has no `{key.name}`", f"add `{key.name}`: {key.doc}")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool)


def _value(key: Key, value: Any) -> Iterator[Problem]:
    path = (key.name,)
    if key.form is Form.SOURCES:
        yield from _sources(value)
    elif key.form is Form.POINTS:
        yield from _points(key, value)
    elif not _has_form(key.form, value):
        kind = {Form.TEXT: "a text", Form.INTEGER: "a whole number"}.get(key.form, "a number")
        yield Problem(path, f"`{key.name}` is not {kind}", f"`{key.name}`: {key.doc}")
    elif key.choices and value not in key.choices:
        choices = ", ".join(f'"{c}"' if isinstance(c, str) else str(c) for c in key.choices)
        yield Problem(path, f"`{key.name}` cannot be {value}", f"use one of {choices}")
    elif key.ranges and value not in key.also:
        yield from _in_range(path, key.name, value, key.ranges[0])
    elif key.form is Form.TEXT:
        yield from _prints(path, f"`{key.name}`", value)
        if key.default is None and value == "":
            yield Problem(path, f"`{key.name}` is empty", f"`{key.name}`: {key.doc}")


def _prints(path: Path, what: str, text: str) -> Iterator[Problem]:
    if bad := first_unprintable(text):
        yield Problem(path, f"{what} has a character that does not print, U+{ord(bad):04X}",
                      "type the text anew, in letters, signs and blanks")


def _has_form(form: Form, value: Any) -> bool:
    if form is Form.TEXT:
        return isinstance(value, str)
    if form is Form.INTEGER:
        return isinstance(value, int) and not isinstance(value, bool)
    return _is_number(value)


def _in_range(path: Path, what: str, value: Any, limits: Range) -> Iterator[Problem]:
    low, high = limits
    # A NaN is unequal to itself; as a Decimal it must not be compared in any other way.
    if value != value or not Decimal(repr(low)) <= Decimal(str(value)) <= Decimal(repr(high)):
        yield Problem(path, f"`{what}` {value} is out of range", f"give {low:g} to {high:g}")


def _points(key: Key, value: Any) -> Iterator[Problem]:
    shape = f"write `{key.name} = [[A, B], ...]`: {key.doc}"
    if not isinstance(value, list) or not value:
        yield Problem((key.name,), f"`{key.name}` is not a list of pairs", shape)
        return
    before = -math.inf
    for index, pair in enumerate(value):
        path = (key.name, index)
        if not (isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))):
            yield Problem(path, f"this item of `{key.name}` is not a pair of numbers", shape)
            return
        out = [p for column, limits in enumerate(key.ranges)
               for p in _in_range((*path, column), key.name, pair[column], limits)]
        if not out and pair[0] <= before:
            out = [Problem(path, f"the first numbers of `{key.name}` do not rise",
                           "sort the pairs by their first number")]
        if out:
            yield from out
            return
        before = pair[0]


def _sources(value: Any) -> Iterator[Problem]:
    help_text = 'write `sources = { "document number" = ["page", "write_ms"] }`'
    if not isinstance(value, dict):
        yield Problem(("sources",), "`sources` is not a table", help_text)
        return
    for source, names in value.items():
        yield from _prints(("sources", source), "a source", source)
        if not isinstance(names, list):
            yield Problem(("sources", source), "a source does not list keys", help_text)
            continue
        for index, name in enumerate(names):
            if not isinstance(name, str) or name not in KEYS:
                yield Problem(("sources", source, index), f"unknown key `{name}` in a source",
                              "name keys of the part")


def _together(table: Mapping[str, Any]) -> Iterator[Problem]:
    """Yield what is wrong between values that are each sound."""
    capacity, page, address_bytes = table["capacity"], table["page"], table["address_bytes"]
    shift = table.get("block_shift", 0)
    block_bits = _block_bits(capacity, address_bytes)
    if page > capacity // 4:
        yield Problem(("page",), f"a part of {capacity} bytes cannot have pages of {page}",
                      "check the page size in the data sheet")
    if block_bits + shift > 3:
        room = f"{3 - shift} of them from bit {shift} up" if shift else "3"
        yield Problem(("address_bytes",),
                      f"{capacity} bytes need {block_bits} address bits beyond "
                      f"{8 * address_bytes}, the device address has room for {room}",
                      "check `capacity`, `address_bytes` and `block_shift`")
    lowest, highest = float(table["clocks"][0][0]), float(table.get("supply_max_v", 5.5))
    if lowest >= highest:
        path: Path = ("supply_max_v",) if "supply_max_v" in table else ("clocks", 0, 0)
        yield Problem(path, f"the lowest supply, {lowest:g} V, is not below the highest, "
                      f"{highest:g} V", "check `clocks` and `supply_max_v`")
