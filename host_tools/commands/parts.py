"""`paramstore parts`: list and search the catalogue of EEPROM parts."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from typing import Any

import click

from host_tools.terminal import say, say_json, say_text, tint

PROTECT = {"none": "none", "whole": "whole", "half": "upper half", "quarter": "upper quarter"}
UNITS = {"": 1, "k": 1024, "K": 1024, "KiB": 1024, "M": 1 << 20, "MiB": 1 << 20,
         "kbit": 128, "Kbit": 128, "Mbit": 1 << 17}


class Quantity(click.ParamType[float]):
    """A positive number with or without one of the `units`, which give its factor."""

    def __init__(self, name: str, units: Mapping[str, float], example: str) -> None:
        self.name, self.units, self.example = name, units, example

    def convert(self, value: Any, param: click.Parameter | None,
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


@click.command()
@click.argument("text", nargs=-1)
@click.option("--capacity", metavar="SIZE", help="Bytes, as 4K, 32kbit, 4K.. or 4K..32K.")
@click.option("--page", type=click.IntRange(1), metavar="BYTES", help="Page size.")
@click.option("--supply", type=SUPPLY, metavar="V", help="Works at this supply.")
@click.option("--khz", type=CLOCK, metavar="KHZ",
              help="Allows this clock (at that supply).")
@click.option("--protect", type=click.Choice(list(PROTECT)), help="What the WP pin covers.")
@click.option("--sources", is_flag=True, help="Show every part in full, with all sources.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
def command(text: tuple[str, ...], capacity: str | None, page: int | None,
            supply: float | None, khz: float | None, protect: str | None,
            sources: bool, as_json: bool) -> None:
    """Example: paramstore parts --capacity 4K.. --supply 1.8

    List the EEPROM parts that match. TEXT is looked for in name, maker and notes; the name of a
    part, also with an ordering suffix, shows that part in full. Exit code 1: nothing matches.
    """
    from paramstore.report.parts import nothing_found, part_text, parts_data, parts_text
    from paramstore.schema.catalogue import find, search
    from paramstore.schema.part import WriteProtect

    words = " ".join(text)
    wishes: dict[str, tuple[str, Any]] = {
        "text": (f"`{words}`", words or None),
        "capacity": (f"--capacity {capacity}", None if capacity is None else size_range(capacity)),
        "page": (f"--page {page}", page),
        "supply_v": (f"--supply {supply or 0:g}", supply),
        "bus_khz": (f"--khz {khz or 0:g}", khz),
        "protect": (f"--protect {protect}", WriteProtect(PROTECT[protect]) if protect else None),
    }
    asked = {key: value for key, (_, value) in wishes.items() if value is not None}
    named = find(words) if list(asked) == ["text"] else None
    parts = (named,) if named else search(**asked)
    if as_json:
        say_json(parts_data(parts))
    elif parts and (sources or named or len(parts) == 1):
        say_text("\n".join(part_text(p) for p in parts))
    elif parts:
        say_text(parts_text(parts, supply))
    if not parts:
        message, help_text = nothing_found(asked, {key: wishes[key][0] for key in asked})
        say(message, err=True)
        say(f"  {tint('mend', 'mend')}  {help_text}", err=True)
        sys.exit(1)
