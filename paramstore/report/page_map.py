"""A picture of where everything lies: what each page is, and the same as lines of text.

Knows a Plan. The cells are data, for any kind of picture; colour is left to a `style` function.
"""

from __future__ import annotations

import string
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from paramstore.layout.plan import Plan

__all__ = ["PageCell", "RingStyle", "cells", "letter", "map_lines", "no_ring_style"]

RingStyle = Callable[[str, int], str]
"""Gives a text the colour of the ring with that index in the plan."""

LETTERS = string.ascii_uppercase + string.ascii_lowercase + string.digits
LABEL, FREE, GOES_ON, RETIRED = "=", ".", "-", "~"
BLOCK = 8
"""A blank after so many pages, to count by."""


@dataclass(frozen=True, slots=True)
class PageCell:
    """One page. `ring` is an index in `plan.rings`, None outside the rings; `begins` says whether
    a slot or a label copy begins here. `retired`: of a group that was taken out."""

    ring: int | None = None
    slot: int = 0
    begins: bool = False
    label: bool = False
    retired: bool = False


def cells(plan: Plan) -> tuple[PageCell, ...]:
    """Return what every page of the part is, page 0 first."""
    pages = [PageCell()] * plan.part.pages
    for page in range(2 * plan.label_pages):
        pages[page] = PageCell(label=True, begins=page % plan.label_pages == 0)
    for ring in plan.retired:
        pages[ring.first_page:ring.first_page + ring.pages] = [PageCell(retired=True)] * ring.pages
    for index, ring in enumerate(plan.rings):
        for page in range(ring.pages):
            slot, rest = divmod(page, ring.slot_pages)
            pages[ring.first_page + page] = PageCell(index, slot, rest == 0)
    return tuple(pages)


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
    pages = cells(plan)
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
    if cell.label:
        return LABEL if cell.begins else GOES_ON
    if cell.ring is None:
        return RETIRED if cell.retired else FREE
    return letter(cell.ring) if cell.begins else GOES_ON
