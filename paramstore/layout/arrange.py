"""Which page each ring starts at, given what the groups ask for.

The label's two copies come first. Then
- rings of the fewest slots grow up from the label in order of group id,
- rings that are longer because they are written often grow down from the end of the array,
so that the free pages lie between the two, and a group added at the end moves no other ring.
Where the write-protect pin covers only the upper part of the array, identity and calibration
are laid there in order of id as far as they fit, and nothing else is.

A slot may straddle a block boundary (where the block-select bits change). The store reads and
writes page by page, each with its own device address, and a page never straddles one; keeping
slots off the boundary would cost pages and win nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from paramstore.format import label_pages
from paramstore.layout.demand import Demand
from paramstore.parts.part import Part

__all__ = ["arrange", "arrange_beside", "pages_for_rings", "protected_places"]


def pages_for_rings(part: Part) -> int:
    """Return the pages that the two label copies leave."""
    return part.pages - 2 * label_pages(part.page)


def arrange(part: Part, demands: Sequence[Demand]) -> Mapping[int, int] | None:
    """Return the first page of every ring by group id; None if they do not fit.

    `demands` are in order of group id.
    """
    places = protected_places(part, demands)
    low = 2 * label_pages(part.page)
    high = part.pages if part.protected_from is None else part.protected_from // part.page
    for demand in demands:
        if demand.group.id in places:
            continue
        if demand.hot:
            high -= demand.pages
            places[demand.group.id] = high
        else:
            places[demand.group.id] = low
            low += demand.pages
    return places if low <= high else None


def arrange_beside(
    part: Part, demands: Sequence[Demand], taken: Sequence[tuple[int, int]]
) -> Mapping[int, int] | None:
    """Return the first page of every new ring by group id, beside rings that stay where they are.

    `taken` are their pages as (first, end). The rules are those of `arrange`, applied to the gaps:
    the first that is wide enough counts, from the low end, or for a hot ring from the high one.
    None if the rings do not fit.
    """
    free = set(range(2 * label_pages(part.page), part.pages))
    for first, end in taken:
        free -= set(range(first, end))
    border = part.pages if part.protected_from is None else part.protected_from // part.page
    places: dict[int, int] = {}
    for demand in sorted(demands, key=lambda d: not d.group.role.protected):
        at = None
        if part.protected_from is not None and demand.group.role.protected:
            at = _gap(free, range(border, part.pages), demand.pages, down=False)
        if at is None:
            at = _gap(free, range(border), demand.pages, down=demand.hot)
        if at is None:
            return None
        places[demand.group.id] = at
        free -= set(range(at, at + demand.pages))
    return places


def _gap(free: set[int], area: range, pages: int, down: bool) -> int | None:
    """Return the first page of a gap of so many pages within `area`."""
    starts = range(area.start, area.stop - pages + 1)
    return next((page for page in (reversed(starts) if down else starts)
                 if free.issuperset(range(page, page + pages))), None)


def protected_places(part: Part, demands: Sequence[Demand]) -> dict[int, int]:
    """Return the first page by group id of the rings that lie in the write-protectable area."""
    places: dict[int, int] = {}
    if part.protected_from is None:
        return places
    page = part.protected_from // part.page
    for demand in demands:
        if demand.group.role.protected and page + demand.pages <= part.pages:
            places[demand.group.id] = page
            page += demand.pages
    return places
