"""The page map as a strip of beads: label copies and slots on the thread of all pages."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import groupby

from paramstore.core.words import plural
from paramstore.layout.plan import Plan, Ring
from paramstore.report.page_map import LABEL, RETIRED, letter
from paramstore.report.pages.strips import Bead, Row, strip

__all__ = ["HUES", "Look", "hue", "map_rows"]

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
