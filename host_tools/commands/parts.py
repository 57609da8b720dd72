"""`paramstore parts`: list and search the catalogue of EEPROM parts."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from typing import NamedTuple

import click

from host_tools.options import gathered, json_option
from host_tools.terminal import answer, say, tint

PROTECT = {"none": "none", "whole": "whole", "half": "upper half", "quarter": "upper quarter"}
UNITS = {"": 1, "k": 1024, "K": 1024, "KiB": 1024, "M": 1 << 20, "MiB": 1 << 20,
         "kbit": 128, "Kbit": 128, "Mbit": 1 << 17}


class Quantity(click.ParamType[float]):
    """A positive number with or without one of the `units`, which give its factor."""

    def __init__(self, name: str, units: Mapping[str, float], example: str) -> None:
        self.name, self.units, self.example = name, units, example

    def convert(self, value: object, param: click.Parameter | None,
                ctx: click.Context | None) -> float:
        """Return the number in the unit of the option."""
        match = re.fullmatch(r"(\d{1,9}(?:\.\d{1,9})?) ?([A-Za-z]*)", str(value).strip(), re.ASCII)
        if match is None or match[2] not in self.units or not float(match[1]):
            self.fail(f"`{value}` is not a {self.name}: write {self.example}", param, ctx)
        return float(match[1]) * self.units[match[2]]


SUPPLY = Quantity("voltage", {"": 1, "V": 1, "mV": 0.001}, "3.3 or 3.3V")
CLOCK = Quantity("frequency", {"": 1, "kHz": 1, "khz": 1, "MHz": 1000, "Hz": 0.001},
                 "400, 400kHz or 1MHz")


def size_range(text: str) -> tuple[int, int]:
    """Return (least, most) bytes for `4K`, `4K..`, `..32K`, `4K..32K` or `32kbit`."""
    low, dots, high = text.partition("..")
    least = _bytes(low) if low or not dots else 0
    most = _bytes(high) if high else sys.maxsize if dots else least
    if text == ".." or least > most:
        raise click.BadParameter(f"`{text}` holds no size: write the smaller one first",
                                 param_hint="--capacity")
    return least, most


def _bytes(text: str) -> int:
    match = re.fullmatch(r"(\d{1,9}) ?([A-Za-z]*)", text.strip(), re.ASCII)
    if match is None or match[2] not in UNITS:
        raise click.BadParameter(f"`{text}` is not a size: write 4K, 32kbit, 4K.. or 4K..32K",
                                 param_hint="--capacity")
    return int(match[1]) * UNITS[match[2]]


class PartFilter(NamedTuple):
    """What a part must have."""

    capacity: str | None
    page: int | None
    supply: float | None
    khz: float | None
    protect: str | None

    def asked(self, words: str) -> dict[str, tuple[str, object]]:
        """Return what is asked for: its name for `search`, how a person says it, and the value."""
        from paramstore.schema.part import WriteProtect

        every: dict[str, tuple[str, object]] = {
            "text": (f"`{words}`", words or None),
            "capacity": (f"--capacity {self.capacity}",
                         None if self.capacity is None else size_range(self.capacity)),
            "page": (f"--page {self.page}", self.page),
            "supply_v": (f"--supply {self.supply or 0:g}", self.supply),
            "bus_khz": (f"--khz {self.khz or 0:g}", self.khz),
            "protect": (f"--protect {self.protect}",
                        WriteProtect(PROTECT[self.protect]) if self.protect else None),
        }
        return {key: (said, value) for key, (said, value) in every.items() if value is not None}


@click.command()
@click.argument("text", nargs=-1)
@gathered(
    "wanted", PartFilter,
    click.option("--capacity", metavar="SIZE", help="Bytes, as 4K, 32kbit, 4K.. or 4K..32K."),
    click.option("--page", type=click.IntRange(1), metavar="BYTES", help="Page size."),
    click.option("--supply", type=SUPPLY, metavar="V", help="Works at this supply."),
    click.option("--khz", type=CLOCK, metavar="KHZ", help="Allows this clock (at that supply)."),
    click.option("--protect", type=click.Choice(list(PROTECT)), help="What the WP pin covers."))
@click.option("--sources", is_flag=True, help="Show every part in full, with all sources.")
@json_option
def command(text: tuple[str, ...], wanted: PartFilter, sources: bool) -> int:
    """Example: paramstore parts --capacity 4K.. --supply 1.8

    List the EEPROM parts that match. TEXT is looked for in name, maker and notes; the name of a
    part, also with an ordering suffix, shows that part in full. Exit code 1: nothing matches.
    """
    from paramstore.report.parts import nothing_found, part_text, parts_data, parts_text
    from paramstore.schema.catalogue import find, search

    words = " ".join(text)
    said = wanted.asked(words)
    asked = {key: value for key, (_, value) in said.items()}
    named = find(words) if list(asked) == ["text"] else None
    parts = (named,) if named else search(**asked)  # type: ignore[arg-type]
    in_full = sources or named is not None or len(parts) == 1
    if parts:
        return answer((), lambda: parts_data(parts), lambda: "\n".join(map(part_text, parts))
                      if in_full else parts_text(parts, wanted.supply))
    message, help_text = nothing_found(asked, {key: name for key, (name, _) in said.items()})
    answer((), lambda: parts_data(()), lambda: "")
    say(message, err=True)
    say(f"  {tint('mend', 'mend')}  {help_text}", err=True)
    return 1
