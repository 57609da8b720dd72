"""What a part holds, as far as a store needs it: its label and its rings.

A part of 128 Kbytes whose store has a dozen pages is read in a moment. Bytes that were not read are
gaps of the contents.
"""

from __future__ import annotations

from collections.abc import Iterable

from paramstore.bus.programmer import Programmer, Progress
from paramstore.core.format import ERASED
from paramstore.image.contents import Contents, Gaps, gaps_in, unpack
from paramstore.image.pack import used_ranges
from paramstore.layout.plan import Plan
from paramstore.releases.project import Project

__all__ = ["alias_ranges", "read_contents", "read_part", "reread"]

_LABEL_BYTES = 32
"""The longest label, of a part with other pages too."""


def read_part(programmer: Programmer, project: Project, *, whole: bool = False,
              progress: Progress = lambda _: None) -> Contents:
    """Read a part with the release that its label names: labels and rings, or all of it. Without a
    label these are the rings of the schema.

    ToolError if it does not answer.
    """
    if whole:
        return read_contents(project, programmer.read(progress))
    plan = project.plan
    held = _Held(programmer, progress)
    held.read((at, at + _LABEL_BYTES) for at in map(plan.label_address, (0, 1)))
    seen = held.contents(project)
    held.read(alias_ranges(plan))
    label = seen.label
    if label is None or label.store_id == plan.store_id:
        held.read(used_ranges(seen.plan))
    return held.contents(project)


def read_contents(project: Project, image: bytes, gaps: Gaps = ()) -> Contents:
    """Decode an image with the release that its label names."""
    contents = unpack(project.plan, image, gaps)
    return unpack(project.plan_of(contents.label), image, gaps) if contents.label else contents


def reread(programmer: Programmer, contents: Contents, plan: Plan) -> Contents:
    """Read the same bytes of a part again; `plan` is that of what it should hold now."""
    held = _Held(programmer, lambda _: None)
    held.read(_between(contents.gaps, plan.part.capacity))
    return unpack(plan, bytes(held.image), contents.gaps)


def alias_ranges(plan: Plan) -> tuple[tuple[int, int], ...]:
    """Return where the labels come again on a part of half the size (FORMAT.md, 2)."""
    half = plan.part.capacity // 2
    return tuple((half + at, half + at + plan.label_bytes)
                 for at in map(plan.label_address, (0, 1)))


class _Held:
    """Bytes of a part, each one read once."""

    def __init__(self, programmer: Programmer, progress: Progress) -> None:
        self._programmer, self._progress = programmer, progress
        self.image = bytearray([ERASED]) * programmer.part.capacity
        self._gaps: Gaps = ((0, programmer.part.capacity),)

    def read(self, spans: Iterable[tuple[int, int]]) -> None:
        """Read those bytes of some spans that were not read yet."""
        for first, end in spans:
            for a, b in gaps_in(self._gaps, first, end):
                self.image[a:b] = self._programmer.read_at(a, b - a, self._progress)
            self._gaps = tuple(
                gap for a, b in self._gaps for gap in ((a, min(b, first)), (max(a, end), b))
                if gap[0] < gap[1])

    def contents(self, project: Project) -> Contents:
        return read_contents(project, bytes(self.image), self._gaps)


def _between(gaps: Gaps, size: int) -> Gaps:
    edges = [0, *(edge for gap in gaps for edge in gap), size]
    return tuple((a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if a < b)
