"""The byte view of a dump: regions in the order of their addresses, each slot with its damage.

What is erased is told in one line, long rings show their newest records in full and the bytes of
older ones as plain text, so that a large part stays a page that opens at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from paramstore.core.format import ERASED
from paramstore.core.words import plural
from paramstore.image.contents import gaps_in
from paramstore.inspect.regions import Places, Region, RegionKind
from paramstore.inspect.slots import SlotKind
from paramstore.inspect.tear import ByteSource, segments
from paramstore.report.page_map import letter
from paramstore.report.pages.byte_rows import byte_rows, plain_lines
from paramstore.report.pages.frame import Facts
from paramstore.report.pages.states import STATES, mend_text, state_of
from paramstore.report.pages.strips import hue

__all__ = ["areas", "plain_areas"]

_IN_FULL = 16
"""Older records of a ring that are shown in full."""
_TOGETHER = 2048
"""Bytes on free pages that are shown in one piece."""
_PIECE = 1024
"""Bytes of a dump that cannot be read that are shown in one piece."""

SOURCES = {
    ByteSource.OLD: "of the record that was there before",
    ByteSource.NEW: "of the record being written",
    ByteSource.SAME: "the same in both records", ByteSource.ERASED: "erased, not yet written",
    ByteSource.CLEARED: "00, as neither record has it", ByteSource.MIXED: "bits of both records",
    ByteSource.OTHER: "of neither record",
}


def areas(places: Places) -> Iterator[Facts]:
    """Yield the bytes area by area, as a template shows them: each has a title and blocks."""
    view = _View(places)
    free: list[Region] = []
    for (kind, group), regions in groupby(places.regions, key=_area):
        together = list(regions)
        match kind:
            case RegionKind.LABEL:
                yield _facts("labels", "Label", map(view.label, filter(view.begun, together)))
            case RegionKind.SLOT:
                index = together[0].index
                yield _facts(f"ring-{index}", group, view.ring(together),
                             letter=letter(index), hue=hue(index))
            case RegionKind.RETIRED:
                yield _facts(f"retired-{group}", f"{group}, taken out",
                             map(view.retired, together))
            case RegionKind.FREE:
                free += together
            case _:
                yield _facts("all", "", map(view.described, filter(view.begun, together)))
    if blocks := list(view.unallocated(free)):
        yield _facts("free", "Free pages", blocks)


def plain_areas(places: Places) -> Iterator[Facts]:
    """Yield all bytes of a dump that cannot be read, as they are."""
    view, size = _View(places), len(places.data or b"")
    yield _facts("all", "All bytes", (
        view.plain(at, min(at + _PIECE, size), ": FF") for at in range(0, size, _PIECE)))


def _area(region: Region) -> tuple[RegionKind, str]:
    kind = RegionKind.PLACES if region.kind is RegionKind.HOLE else region.kind
    return kind, region.group


def _facts(name: str, title: str, blocks: Iterator[Facts] | Sequence[Facts] | map[Facts],
           **more: object) -> Facts:
    return {"id": name, "title": title, "letter": None, "blocks": list(blocks)} | more


class _View:
    """Makes blocks of the regions of one dump."""

    def __init__(self, places: Places) -> None:
        self._places, self._data = places, places.data or b""
        self._digits = max(4, len(f"{places.size - 1:X}"))

    def begun(self, region: Region) -> bool:
        """Whether the dump has any of a region."""
        return region.first < len(self._data)

    def _address(self, at: int) -> str:
        return f"0x{at:0{self._digits}X}"

    def plain(self, first: int, end: int, erased: str = ": erased", told: str = "",
              start: int | None = None) -> Facts:
        """Return bytes without a meaning: as lines from `start` on, or that all are erased."""
        where = f"{self._address(first)} to {self._address(end - 1)}{told}"
        if self._data.count(ERASED, first, end) == end - first:
            return {"kind": "line", "text": f"{where}{erased}"}
        return {"kind": "plain", "title": where, "lines": plain_lines(
            self._data, first if start is None else start, end, self._digits)}

    # ---- Parts without slots -----------------------------------------------------------------

    def label(self, region: Region) -> Facts:
        """Return a label copy."""
        other = next(r for r in self._places.regions
                     if r.kind is RegionKind.LABEL and r.number != region.number)
        against = f"copy {other.number}" if other.whole else "a label of this store"
        return self._rows(
            region, f"label-{region.number}", f"Label copy {region.number}",
            "whole" if region.whole else "not whole", "" if region.whole else "bad",
            "" if region.whole else "damaged") | {
                "sources": list(self._changes(region, f"not as in {against}"))}

    def described(self, region: Region) -> Facts:
        """Return a stretch of a fixed layout; a hole is folded away, or told in a line."""
        if region.kind is RegionKind.HOLE:
            return self.plain(region.first, min(region.end, len(self._data)), ", erased",
                              f": {region.runs[0].words}")
        things = {thing.key for run in region.runs for thing in run.things}
        return self._rows(region, f"b{region.first}",
                          plural(min(region.end, len(self._data)) - region.first, "byte"),
                          plural(len(things), "thing"), "", "")

    def retired(self, region: Region) -> Facts:
        """Return the pages of a group that was taken out."""
        return self.plain(region.first, region.end)

    def unallocated(self, regions: Sequence[Region]) -> Iterator[Facts]:
        """Yield the bytes on free pages, those of neighbouring pages together up to a size."""
        joined: list[tuple[int, int]] = []
        page = self._places.page
        for run in (run for region in regions for run in region.runs if not run.free):
            start = run.first - run.first % page
            if joined and start - joined[-1][1] < page and (
                    run.end - joined[-1][0] <= _TOGETHER):
                joined[-1] = (joined[-1][0], run.end)
            else:
                joined.append((run.first, run.end))
        for first, end in joined:
            yield self.plain(first, end, told=": bytes on a free page",
                             start=first - first % page)

    # ---- Slots -------------------------------------------------------------------------------

    def ring(self, regions: Sequence[Region]) -> Iterator[Facts]:
        """Yield the slots of a ring: in a row those that are shown alike."""
        older = sorted((r.verdict.slot.record.sequence for r in regions
                        if r.verdict and r.verdict.kind is SlotKind.OLDER), reverse=True)
        least = older[_IN_FULL - 1] if len(older) > _IN_FULL else 0
        for shown, run in groupby(regions, key=lambda region: self._shown(region, least)):
            together = list(run)
            if shown == "full":
                yield from map(self._slot, together)
            elif shown == "plain":
                numbers = [r.verdict.slot.record.sequence for r in together if r.verdict]
                yield {"kind": "plain", "title": f"{self._range(together)}: older records "
                       f"{min(numbers)} to {max(numbers)}", "lines": plain_lines(
                           self._data, together[0].first, together[-1].end, self._digits)}
            else:
                yield {"kind": "line", "text": f"{self._range(together)}: {shown}"}

    def _shown(self, region: Region, least: int) -> str:
        verdict = region.verdict
        if verdict is None or verdict.kind is SlotKind.ERASED:
            return "erased"
        if verdict.kind is SlotKind.MISSING:
            lacking = gaps_in(self._places.gaps, region.first, region.end)
            partly = lacking and lacking != ((region.first, region.end),)
            return "full" if partly else "not in the dump"
        old = verdict.kind is SlotKind.OLDER and verdict.slot.record.sequence < least
        return "plain" if old else "full"

    def _range(self, run: Sequence[Region]) -> str:
        first, last = run[0], run[-1]
        slots = f"slot {first.number}" if len(run) == 1 else (
            f"slots {first.number} to {last.number}")
        return f"{self._address(first.first)} to {self._address(last.end - 1)}, {slots}"

    def _slot(self, region: Region) -> Facts:
        verdict = region.verdict
        assert verdict is not None, "slots that were not judged are not shown in full"
        state, tear = STATES[verdict.kind], verdict.tear
        return self._rows(
            region, f"s{region.index}-{region.number}", region.title, state_of(verdict),
            state.css, state.shape) | {
            "reason": verdict.reason, "repair": mend_text(verdict),
            "anchors": region.first == region.newest,
            "sources": [{
                "first": self._address(region.first + s.first),
                "last": self._address(region.first + s.end - 1),
                "source": s.source.value, "meaning": SOURCES[s.source],
                "sure": all(tear.sure[s.first:s.end])} for s in segments(tear.sources)]
            if tear else list(self._changes(region, "a bit of it was changed"))}

    # ---- Rows --------------------------------------------------------------------------------

    def _rows(self, region: Region, name: str, title: str, state: str, css: str,
              shape: str) -> Facts:
        return {"kind": "rows", "id": name, "title": title, "state": state, "css": css,
                "shape": shape, "rows": byte_rows(self._places, region),
                "first": self._address(region.first), "reason": "", "repair": "", "anchors": False,
                "sources": []}

    def _changes(self, region: Region, meaning: str) -> Iterator[Facts]:
        """Yield runs of changed bytes for the list below them."""
        offsets = dict.fromkeys(byte.offset for byte in region.changed)
        for _, run in groupby(enumerate(offsets), lambda pair: pair[1] - pair[0]):
            places = [region.first + offset for _, offset in run]
            yield {"first": self._address(places[0]), "last": self._address(places[-1]),
                   "source": "changed", "meaning": meaning, "sure": True}
