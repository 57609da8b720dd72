"""Which page each ring starts at, given what the groups ask for.

The label's two copies come first. Then, one group after another in order of id, a ring takes the
first gap that is wide enough:
- rings of the fewest slots from the low end, so that they follow the label,
- rings that are longer because they are written often from the high end,
so that the free pages lie between the two, and a group added at the end moves no other ring.
Where the write-protect pin covers only the upper part of the array, identity and calibration
are laid there first, as far as they fit, and nothing else is.

No slot contains the page at capacity / 2 but as its first page: on a part of half the size the
label shows up there, so mount takes a part for too small if it reads a label there. A slot begins
with a sequence number, which never looks like a label; the bytes behind it may look like anything.

A slot may straddle a block boundary (where the block-select bits change). The store reads and
writes page by page, each with its own device address, and a page never straddles one; keeping
slots off the boundary would cost pages and win nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from paramstore.core.format import label_pages
from paramstore.layout.demand import Demand
from paramstore.schema.part import Part

__all__ = ["arrange", "open_pages", "pages_for_rings", "protected_places"]


def pages_for_rings(part: Part) -> int:
    """Return the pages that the two label copies leave."""
    return part.pages - 2 * label_pages(part.page)


def open_pages(part: Part) -> int:
    """Return how many of these lie below the write-protectable area."""
    return _border(part) - 2 * label_pages(part.page)


def arrange(part: Part, demands: Sequence[Demand],
            taken: Sequence[tuple[int, int]] = ()) -> Mapping[int, int] | None:
    """Return the first page of every ring by group id; None if they do not fit.

    `demands` are in order of group id. `taken` are the pages, as (first, end), of rings that stay
    where they are.
    """
    free = _gaps(part, taken)
    places = _protected(part, demands, free)
    for demand in demands:
        if demand.group.id not in places:
            first = _take(part, demand, free, range(_border(part)), demand.hot)
            if first is None:
                return None
            places[demand.group.id] = first
    return places


def protected_places(part: Part, demands: Sequence[Demand]) -> Mapping[int, int]:
    """Return the first page by group id of the rings that lie in the write-protectable area."""
    return _protected(part, demands, _gaps(part, ()))


def _protected(part: Part, demands: Sequence[Demand], free: list[range]) -> dict[int, int]:
    area = range(_border(part), part.pages)
    taken = {d.group.id: _take(part, d, free, area, down=False)
             for d in demands if d.group.role.protected}
    return {group: first for group, first in taken.items() if first is not None}


def _border(part: Part) -> int:
    """Return the page at which the write-protectable area begins, or the array ends."""
    return part.pages if part.protected_from is None else part.protected_from // part.page


def _gaps(part: Part, taken: Sequence[tuple[int, int]]) -> list[range]:
    """Return the stretches of free pages in ascending order."""
    ends = [2 * label_pages(part.page), *(end for _, end in sorted(taken))]
    starts = [*(first for first, _ in sorted(taken)), part.pages]
    return [range(*gap) for gap in zip(ends, starts, strict=True)]


def _take(part: Part, demand: Demand, free: list[range], area: range, down: bool) -> int | None:
    """Take the pages of a ring out of the first gap in `area` that has them; return the first."""
    for index in range(len(free))[::-1 if down else 1]:
        gap = free[index]
        start, stop = max(gap.start, area.start), min(gap.stop, area.stop)
        for first in _starts(part, demand, range(start, stop - demand.pages + 1), down):
            free[index:index + 1] = [range(gap.start, first), range(first + demand.pages, gap.stop)]
            return first
    return None


def _starts(part: Part, demand: Demand, pages: range, down: bool) -> Iterator[int]:
    """Yield the pages that the ring can start at, from the low or from the high end."""
    middle = part.pages // 2
    for first in pages[::-1 if down else 1]:
        behind = middle - first
        if not 0 < behind < demand.pages or behind % demand.slot_pages == 0:
            yield first
