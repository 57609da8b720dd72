"""Strips: stretches of memory as beads on a thread, row by row; for page maps and record maps.

A row has `ROW` units (pages or bytes). Beads are cut at every `FOLD` units, so that on a narrow
screen a row folds in half and every unit keeps its column. Rows with nothing on them are told in
one line. The page map of a part is such a strip: label copies and slots on the thread of all pages.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from paramstore.core.words import plural
from paramstore.layout.plan import Plan, Ring
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

Look = Callable[[Ring, int], tuple[str, str, str]]
"""Gives the look of a slot, the shape drawn in it ("": none), and what it is in words."""


def hue(index: int) -> str:
    """Return the class of the colour of the ring with that index in the plan."""
    return f"hue{index % HUES}"


def map_rows(plan: Plan, look: Look, label: Callable[[int], tuple[str, str, str]],
             unallocated: Iterable[int] = ()) -> tuple[Row, ...]:
    """Return all pages of a part as rows; `look` and `label` say how a slot of a ring and a label
    copy look. `unallocated` are free pages that hold bytes, in order."""
    beads = [*_beads(plan, look, label), *_unallocated_beads(unallocated)]
    return strip(sorted(beads, key=lambda b: b.start), plan.part.pages)


def _unallocated_beads(pages: Iterable[int]) -> Iterator[Bead]:
    """Yield a bead for each run of free pages that hold bytes."""
    for _, run in groupby(enumerate(pages), lambda pair: pair[1] - pair[0]):
        numbers = [page for _, page in run]
        yield Bead(numbers[0], len(numbers), UNALLOCATED, UNALLOCATED,
                   f"{plural(len(numbers), 'free page')} with bytes", "unallocated")


def _beads(plan: Plan, look: Look, label: Callable[[int], tuple[str, str, str]]) -> Iterator[Bead]:
    for copy in (0, 1):
        css, mark, words = label(copy)
        yield Bead(copy * plan.label_pages, plan.label_pages, LABEL, LABEL,
                   f"label copy {copy}{words}", f"label {css}", mark=mark)
    for ring in plan.retired:
        yield Bead(ring.first_page, ring.pages, RETIRED, RETIRED, "of a group that was taken out",
                   "retired")
    for index, ring in enumerate(plan.rings):
        for slot in range(ring.slots):
            css, mark, words = look(ring, slot)
            yield Bead(ring.first_page + slot * ring.slot_pages, ring.slot_pages, letter(index),
                       letter(index), f"{ring.group.name}, slot {slot}{words}",
                       f"{hue(index)} {css}", f"r{index}", mark)
