"""Strips: stretches of memory as beads on a thread, row by row; for page maps and record maps.

A row has `ROW` units (pages or bytes). Beads are cut at every `FOLD` units, so that on a narrow
screen a row folds in half and every unit keeps its column. Rows with nothing on them are told in
one line. The page map of a part is such a strip: label copies and slots on the thread of all pages.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from paramstore.core.words import plural
from paramstore.inspect.regions import Region, RegionKind
from paramstore.inspect.store_places import StorePlaces
from paramstore.report.page_map import LABEL, RETIRED, letter

__all__ = ["FOLD", "HUES", "ROW", "Bead", "Look", "Row", "StripPiece", "hue", "map_rows", "strip"]

ROW, FOLD = 32, 16
_FOLD_AWAY = 3
"""Empty rows that are worth a line of their own."""


@dataclass(frozen=True, slots=True)
class Bead:
    """`size` units from `start` on. `text` is shown if there is room, else `short`; `title` says
    what it is in full, `css` how it looks; `key` joins what lights up together; `mark` names a
    shape to draw in it."""

    start: int
    size: int
    text: str
    short: str = ""
    title: str = ""
    css: str = ""
    key: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class StripPiece:
    """A part of a bead in one half of a row, or bare thread if `bead` is None."""

    width: int
    bead: Bead | None = None
    first: bool = True
    last: bool = True
    bound: bool = False  # begins at a bound, such as that of a page

    @property
    def text(self) -> str:
        """What stands in it."""
        if self.bead is None or not self.first:
            return ""
        fits = len(self.bead.text) < 3 * self.width
        return self.bead.text if fits else self.bead.short


@dataclass(frozen=True, slots=True)
class Row:
    """One row from unit `start` on; without pieces, `units` of bare thread told in words."""

    start: int
    units: int
    pieces: tuple[StripPiece, ...] = ()


def strip(beads: Sequence[Bead], total: int, bound: int = 0) -> tuple[Row, ...]:
    """Return `total` units as rows. Beads are in order and do not overlap; they are cut at every
    multiple of `bound` too."""
    taken = iter(beads)
    bead = next(taken, None)
    rows: list[Row] = []
    for start in range(0, total, ROW):
        end, pieces, at = min(start + ROW, total), [], start
        while at < end:
            while bead is not None and bead.start + bead.size <= at:
                bead = next(taken, None)
            until = _next_cut(at, end, bound)
            if bead is None or bead.start >= until:
                pieces.append(StripPiece(until - at, bound=bool(bound) and at % bound == 0))
            elif bead.start > at:
                until = bead.start
                pieces.append(StripPiece(until - at))
            else:
                until = min(until, bead.start + bead.size)
                pieces.append(StripPiece(until - at, bead, at == bead.start,
                                    until == bead.start + bead.size,
                                    bool(bound) and at % bound == 0))
            at = until
        rows.append(Row(start, end - start, tuple(pieces)))
    return tuple(_folded(rows))


def _next_cut(at: int, end: int, bound: int) -> int:
    cuts = [end, at - at % FOLD + FOLD]
    if bound:
        cuts.append(at - at % bound + bound)
    return min(cuts)


def _folded(rows: Sequence[Row]) -> Iterator[Row]:
    at = 0
    while at < len(rows):
        past = at
        while past < len(rows) and all(p.bead is None for p in rows[past].pieces):
            past += 1
        if past - at >= _FOLD_AWAY:
            yield Row(rows[at].start, sum(r.units for r in rows[at:past]))
            at = past
        else:
            yield rows[at]
            at += 1


UNALLOCATED = "?"
HUES = 6
"""Colours of groups; neighbours differ, and the letter says which group it is."""

Look = Callable[[Region], tuple[str, str, str]]
"""Gives the look of a slot or a label copy, the shape drawn in it ("": none), and what it is in
words."""


def hue(index: int) -> str:
    """Return the class of the colour of the ring with that index in the plan."""
    return f"hue{index % HUES}"


def map_rows(places: StorePlaces, look: Look) -> tuple[Row, ...]:
    """Return all pages of a part as rows; `look` says how a slot and a label copy look."""
    beads = [bead for region in places.regions for bead in _beads(region, places.page, look)]
    return strip(beads, places.size // places.page)


def _beads(region: Region, page: int, look: Look) -> Iterator[Bead]:
    first, pages = region.first // page, (region.end - region.first) // page
    match region.kind:
        case RegionKind.LABEL:
            css, mark, words = look(region)
            yield Bead(first, pages, LABEL, LABEL, f"{region.title}{words}", f"label {css}",
                       mark=mark)
        case RegionKind.RETIRED:
            yield Bead(first, pages, RETIRED, RETIRED, "of a group that was taken out", "retired")
        case RegionKind.SLOT:
            css, mark, words = look(region)
            text = letter(region.index)
            yield Bead(first, pages, text, text, f"{region.title}{words}",
                       f"{hue(region.index)} {css}", f"r{region.index}", mark)
        case _:
            # A bead for each run of free pages that hold bytes.
            held = (run.first // page for run in region.runs if not run.free)
            for _, run in groupby(enumerate(held), lambda pair: pair[1] - pair[0]):
                numbers = [number for _, number in run]
                yield Bead(numbers[0], len(numbers), UNALLOCATED, UNALLOCATED,
                           f"{plural(len(numbers), 'free page')} with bytes", "unallocated")
