"""The byte view of a dump: areas in the order of their addresses, each slot with its damage.

What is erased is told in one line, long rings show their newest records in full and the bytes of
older ones as plain text, so that a large part stays a page that opens at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from paramstore.core.format import ERASED
from paramstore.image.contents import gaps_in
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.store import StoreExamination
from paramstore.inspect.tear import ByteSource, segments
from paramstore.layout.plan import Ring
from paramstore.report.page_map import letter
from paramstore.report.pages.byte_rows import (
    byte_rows,
    label_things,
    plain_lines,
    slot_things,
)
from paramstore.report.pages.frame import Facts
from paramstore.report.pages.page_map import hue
from paramstore.report.pages.states import STATES, mend_text, state_of
from paramstore.report.plan import address_text

__all__ = ["areas"]

_IN_FULL = 16
"""Older records of a ring that are shown in full."""
_TOGETHER = 2048
"""Bytes without a meaning that are shown in one piece."""

SOURCES = {
    ByteSource.OLD: "of the record that was there before",
    ByteSource.NEW: "of the record being written",
    ByteSource.SAME: "the same in both records", ByteSource.ERASED: "erased, not yet written",
    ByteSource.CLEARED: "00, as neither record has it", ByteSource.MIXED: "bits of both records",
    ByteSource.OTHER: "of neither record",
}


def areas(found: StoreExamination) -> Iterator[Facts]:
    """Yield the areas of the part, as a template shows them: each has a title and blocks."""
    if not found.contents.readable:
        yield from _unread(found, 0, len(found.contents.image))
        return
    plan = found.plan
    placed = [(r.first_page, _ring(found, i, r)) for i, r in enumerate(plan.rings)]
    placed += [(r.first_page, _retired(found, r)) for r in plan.retired]
    yield _labels(found)
    yield from (area for _, area in sorted(placed, key=lambda p: p[0]))
    if found.unallocated:
        yield {"id": "free", "title": "Free pages", "letter": None,
               "blocks": [_unallocated(found, first, end) for first, end in _joined(found)]}


def _joined(found: StoreExamination) -> Iterator[tuple[int, int]]:
    """Yield the bytes on free pages, those of neighbouring pages together up to a size."""
    page = found.plan.part.page
    joined: list[tuple[int, int]] = []
    for first, end in found.unallocated:
        start = first - first % page
        if joined and start - joined[-1][1] < page and end - joined[-1][0] <= _TOGETHER:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((first, end))
    yield from joined


def _labels(found: StoreExamination) -> Facts:
    image = found.contents.image
    blocks: list[Facts] = []
    for copy in (0, 1):
        things = label_things(found.plan, copy, image)
        whole = found.contents.labels[copy] is not None
        damaged = found.damaged_label_bytes(copy)
        against = f"copy {1 - copy}" if found.contents.labels[1 - copy] is not None else (
            "a label of this store")
        if things[0].first < len(image):
            blocks.append({
                "kind": "rows", "id": f"label-{copy}", "title": f"Label copy {copy}",
                "state": "whole" if whole else "not whole", "css": "" if whole else "bad",
                "shape": "" if whole else "damaged",
                "rows": byte_rows(image, things, _changed(damaged), found.dump.gaps),
                "first": address_text(found.plan, things[0].first), "reason": "",
                "sources": list(_changes(found, things[0].first, damaged,
                                         f"not as in {against}")),
                "repair": "", "anchors": ""})
    return {"id": "labels", "title": "Label", "letter": None, "blocks": blocks}


def _changed(offsets: Sequence[int]) -> list[str]:
    """Return the sources of bytes of which those at some offsets were changed."""
    return ["changed" if at in offsets else "" for at in range(max(offsets, default=-1) + 1)]


def _changes(found: StoreExamination, start: int, offsets: Sequence[int],
             meaning: str) -> Iterator[Facts]:
    """Yield runs of changed bytes for the list below them."""
    for _, run in groupby(enumerate(offsets), lambda pair: pair[1] - pair[0]):
        places = [start + offset for _, offset in run]
        yield {"first": address_text(found.plan, places[0]),
               "last": address_text(found.plan, places[-1]), "source": "changed",
               "meaning": meaning, "sure": True}


def _ring(found: StoreExamination, index: int, ring: Ring) -> Facts:
    verdicts = found.slots[ring.group.name]
    older = sorted((v.slot.record.sequence for v in verdicts if v.kind is SlotKind.OLDER),
                   reverse=True)
    least = older[_IN_FULL - 1] if len(older) > _IN_FULL else 0
    blocks: list[Facts] = []
    for quiet, run in _grouped(found, ring, verdicts, least):
        if quiet in ("erased", "missing"):
            blocks.append(_erased(found, ring, run))
        elif quiet == "plain":
            blocks.append(_plain(found, ring, run))
        else:
            blocks += (_slot(found, index, ring, v) for v in run)
    return {"id": f"ring-{index}", "title": ring.group.name, "letter": letter(index),
            "hue": hue(index), "blocks": blocks}


def _grouped(found: StoreExamination, ring: Ring, verdicts: Sequence[SlotVerdict],
             least: int) -> Iterator[tuple[str, list[SlotVerdict]]]:
    """Yield runs of slots that are shown alike: erased, missing, plain, or in full."""
    shown = [_shown(found, ring, verdict, least) for verdict in verdicts]
    for look, run in groupby(zip(shown, verdicts, strict=True), key=lambda pair: pair[0]):
        yield look, [verdict for _, verdict in run]


def _shown(found: StoreExamination, ring: Ring, verdict: SlotVerdict, least: int) -> str:
    if verdict.kind is SlotKind.MISSING:
        first, end = verdict.slot.address, verdict.slot.address + ring.record_bytes
        lacking = gaps_in(found.dump.gaps, first, end)
        return "full" if lacking and lacking != ((first, end),) else "missing"
    if verdict.kind is SlotKind.ERASED:
        return "erased"
    plain = verdict.kind is SlotKind.OLDER and verdict.slot.record.sequence < least
    return "plain" if plain else "full"


def _erased(found: StoreExamination, ring: Ring, run: Sequence[SlotVerdict]) -> Facts:
    words = "erased" if run[0].kind is SlotKind.ERASED else "not in the dump"
    return {"kind": "line", "text": f"{_range(found, ring, run)}: {words}"}


def _plain(found: StoreExamination, ring: Ring, run: Sequence[SlotVerdict]) -> Facts:
    size = ring.slot_pages * ring.page_bytes
    first = run[0].slot.address
    numbers = [v.slot.record.sequence for v in run]
    return {"kind": "plain", "title": f"{_range(found, ring, run)}: older records "
            f"{min(numbers)} to {max(numbers)}",
            "lines": plain_lines(found.contents.image, first, first + len(run) * size,
                                 _digits(found))}


def _range(found: StoreExamination, ring: Ring, run: Sequence[SlotVerdict]) -> str:
    first, last = run[0].slot, run[-1].slot
    end = last.address + ring.slot_pages * ring.page_bytes - 1
    slots = f"slot {first.number}" if len(run) == 1 else f"slots {first.number} to {last.number}"
    return (f"{address_text(found.plan, first.address)} to {address_text(found.plan, end)}, "
            f"{slots}")


def _slot(found: StoreExamination, index: int, ring: Ring, verdict: SlotVerdict) -> Facts:
    number, tear = verdict.slot.number, verdict.tear
    newest = found.contents.group(ring.group.name).newest
    anchors = f"b{index}-{number}-" if newest and newest.number == number else ""
    state, image = STATES[verdict.kind], found.contents.image
    things = slot_things(ring, number, f"g{index}s{number}", image, found.dump.gaps,
                         verdict.revision)
    flipped = () if tear or verdict.repair is None else tuple(dict.fromkeys(
        bit.offset for bit in verdict.repair.bits))
    rows = byte_rows(image, things, [o.value for o in tear.sources] if tear else
                     _changed(flipped), found.dump.gaps)
    return {
        "kind": "rows", "id": f"s{index}-{number}", "title": f"{ring.group.name}, slot {number}",
        "state": state_of(verdict), "css": state.css, "shape": state.shape, "rows": rows,
        "first": address_text(found.plan, verdict.slot.address), "reason": verdict.reason,
        "repair": mend_text(verdict), "anchors": anchors,
        "sources": [{
            "first": address_text(found.plan, verdict.slot.address + s.first),
            "last": address_text(found.plan, verdict.slot.address + s.end - 1),
            "source": s.source.value, "meaning": SOURCES[s.source],
            "sure": all(tear.sure[s.first:s.end])} for s in segments(tear.sources)]
        if tear else list(_changes(found, verdict.slot.address, flipped,
                                   "a bit of it was changed")),
    }


def _retired(found: StoreExamination, ring: Ring) -> Facts:
    first = ring.address(0)
    end = first + ring.pages * ring.page_bytes
    lines = plain_lines(found.contents.image, first, end, _digits(found))
    where = f"{address_text(found.plan, first)} to {address_text(found.plan, end - 1)}"
    block = ({"kind": "plain", "title": where, "lines": lines} if lines
             else {"kind": "line", "text": f"{where}: erased"})
    return {"id": f"retired-{ring.group.id}", "title": f"{ring.group.name}, taken out",
            "letter": None, "blocks": [block]}


def _unallocated(found: StoreExamination, first: int, end: int) -> Facts:
    start = first - first % found.plan.part.page
    where = f"{address_text(found.plan, first)} to {address_text(found.plan, end - 1)}"
    return {"kind": "plain", "title": f"{where}: bytes on a free page",
            "lines": plain_lines(found.contents.image, start, end, _digits(found))}


def _unread(found: StoreExamination, first: int, end: int) -> Iterator[Facts]:
    """Yield all bytes as they are, a kilobyte at a time."""
    image, blocks = found.contents.image, []
    for at in range(first, end, 1024):
        past = min(at + 1024, end)
        where = f"0x{at:0{_digits(found)}X} to 0x{past - 1:0{_digits(found)}X}"
        lines = plain_lines(image, at, past, _digits(found))
        erased = image.count(ERASED, at, past) == past - at
        blocks.append({"kind": "line", "text": f"{where}: FF"} if erased
                      else {"kind": "plain", "title": where, "lines": lines})
    yield {"id": "all", "title": "All bytes", "letter": None, "blocks": blocks}


def _digits(found: StoreExamination) -> int:
    return len(address_text(found.plan, 0)) - 2
