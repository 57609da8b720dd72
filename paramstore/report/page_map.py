"""A picture of where everything lies: what each page is, and the same as lines of text.

The cells are data, for any kind of picture; colour is left to a `style` function.
"""

from __future__ import annotations

import string
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from paramstore.inspect.regions import Region, RegionKind
from paramstore.inspect.store_places import StorePlaces
from paramstore.layout.plan import Plan

__all__ = ["PageCell", "RingStyle", "cells", "letter", "map_lines", "no_ring_style"]

RingStyle = Callable[[str, int], str]
"""Gives a text the colour of the ring with that index in the plan."""

LETTERS = string.ascii_uppercase + string.ascii_lowercase + string.digits
LABEL, FREE, GOES_ON, RETIRED = "=", ".", "-", "~"
BLOCK = 8
"""A blank after so many pages, to count by."""


class PageCell(NamedTuple):
    """One page: the region it is of, and whether that begins here."""

    region: Region
    begins: bool

    @property
    def ring(self) -> int | None:
        """The index of its ring in the plan; None for a page of none."""
        return self.region.index if self.region.kind is RegionKind.SLOT else None


def cells(places: StorePlaces) -> tuple[PageCell, ...]:
    """Return what every page of the part is, page 0 first."""
    return tuple(PageCell(region, at == region.first) for region in places.regions
                 for at in range(region.first, region.end, places.page))


def letter(index: int) -> str:
    """Return the letter of the ring with that index; they repeat after 62."""
    return LETTERS[index % len(LETTERS)]


def no_ring_style(text: str, ring: int) -> str:
    """Return `text` as it is."""
    return text


def map_lines(plan: Plan, style: RingStyle = no_ring_style) -> list[str]:
    """Return the map, one character a page, the address of a row before it.

    32 pages a row, 64 on parts of more than 256 pages. A run of equal rows is shown once.
    """
    pages = cells(StorePlaces(plan))
    width = 64 if len(pages) > 256 else 32
    rows = [pages[at:at + width] for at in range(0, len(pages), width)]
    digits = max(4, len(f"{plan.part.capacity - 1:X}"))
    lines: list[str] = []
    for number, row in enumerate(rows):
        drawn = _row(row, style)
        if 0 < number < len(rows) - 1 and _row(rows[number - 1], style) == drawn == _row(
                rows[number + 1], style):
            if lines[-1] != "  :":
                lines.append("  :")
            continue
        lines.append(f"  0x{number * width * plan.part.page:0{digits}X}  {drawn}")
    return lines


def _row(row: Sequence[PageCell], style: RingStyle) -> str:
    return " ".join(
        "".join(_styled(row[at:at + BLOCK], style)) for at in range(0, len(row), BLOCK)
    )


def _styled(block: Sequence[PageCell], style: RingStyle) -> Iterator[str]:
    """Yield the cells of a block, each run of one ring styled as one text."""
    run, ring = "", None
    for cell in block:
        if cell.ring != ring:
            yield run if ring is None else style(run, ring)
            run, ring = "", cell.ring
        run += _symbol(cell)
    yield run if ring is None else style(run, ring)


def _symbol(cell: PageCell) -> str:
    match cell.region.kind:
        case RegionKind.LABEL:
            return LABEL if cell.begins else GOES_ON
        case RegionKind.SLOT:
            return letter(cell.region.index) if cell.begins else GOES_ON
        case RegionKind.RETIRED:
            return RETIRED
    return FREE
