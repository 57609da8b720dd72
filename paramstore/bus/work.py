"""Writing to a part: page by page, slots that take nothing skipped; then a look at it all. And how
long that takes on the bus.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from paramstore.bus.changes import Changes
from paramstore.bus.first_page import write_first_page
from paramstore.bus.look import reread
from paramstore.bus.programmer import READ_BYTES, PageFault, Programmer, Progress
from paramstore.bus.steps import NewRecords, Put, pages_of
from paramstore.core.errors import Finding, FindingsError, Severity, SourceText
from paramstore.core.format import skip_limit, slot_of
from paramstore.image.contents import Contents
from paramstore.layout.physics import bits_ms, read_bits, write_bits
from paramstore.layout.plan import Ring
from paramstore.record import read_record

__all__ = ["Done", "work_ms", "write_changes"]


class Done(NamedTuple):
    """A write that ended: what the part holds now, and the slots that were skipped."""

    contents: Contents
    findings: tuple[Finding, ...]


def write_changes(programmer: Programmer, changes: Changes,
                  progress: Progress = lambda _: None) -> Done:
    """Write the pages of `changes` in their order, each read back, then read all again.

    After a failure the same call with fresh changes goes on: what was written counts, and what was
    not is as before. FindingsError (PS966) for a page that does not take its bytes where there is
    no other slot, (PS961, PS969) as `Programmer` and `first_page` say, ToolError if the part does
    not answer. `progress` is told pages.
    """
    return _Writer(programmer, changes, progress).write()


def work_ms(changes: Changes, khz: int) -> float:
    """Return the time in ms: each page looked at, written, waited for and read back; then all that
    was read before read again."""
    part = changes.plan.part
    width = part.address_bytes
    bits = sum(write_bits(width, len(w.data)) + 2 * read_bits(width, len(w.data))
               for w in changes.writes)
    left = part.capacity - sum(end - first for first, end in changes.before.gaps)
    bits += left // READ_BYTES * read_bits(width, READ_BYTES) + read_bits(width, left % READ_BYTES)
    return bits_ms(bits, khz) + len(changes.writes) * part.write_ms


class _Writer:
    def __init__(self, programmer: Programmer, changes: Changes, progress: Progress) -> None:
        self._programmer, self._changes, self._progress = programmer, changes, progress
        self._image = bytearray(changes.before.image)
        self._skipped: list[tuple[Ring, int]] = []
        self._written = 0

    def write(self) -> Done:
        for step in self._changes.steps:
            if isinstance(step, Put):
                self._put(step)
            else:
                self._records(step)
        contents = reread(self._programmer, self._changes.before, self._changes.plan)
        self._compare(contents.image)
        return Done(contents, tuple(self._findings()))

    def _put(self, put: Put) -> None:
        for page in pages_of(put, self._programmer.part.page):
            if self._image[page.address:page.address + len(page.data)] == page.data:
                continue
            try:
                if page.identify:
                    write_first_page(self._programmer, page)
                else:
                    self._programmer.write_page(page.address, page.data)
            except PageFault as fault:
                raise self._protected(fault) or fault from fault.__cause__
            page.lay(self._image)
            self._written += 1
            self._progress(1)

    def _protected(self, fault: PageFault) -> PageFault | None:
        """Say of a page that stayed as it was what that means if none has taken anything so far."""
        was = self._image[fault.address:fault.address + len(fault.held)]
        if self._written or was != fault.held:
            return None
        (finding,) = fault.findings
        return PageFault(replace(finding, notes=(
            *finding.notes, "no page has taken anything so far: the part is write-protected, or "
            "this page is worn out")), fault.address, fault.held)

    def _records(self, step: NewRecords) -> None:
        """Write records as firmware does: a slot that does not take one is skipped, and the
        number of that slot with it."""
        number = step.newest
        for _ in range(step.copies):
            for sequence in range(number + 1, number + 2 + skip_limit(step.ring.slots)):
                self._refuse_newer(step, sequence, number)
                try:
                    self._put(step.put(sequence))
                    break
                except PageFault as fault:
                    self._skipped.append((step.ring, slot_of(sequence, step.ring.slots)))
                    refusal = fault
            else:
                raise self._refused(step.ring, refusal) from refusal
            number = sequence

    def _refuse_newer(self, step: NewRecords, sequence: int, newest: int) -> None:
        """Look once more at the slot that is written over: one bad read must not cost the newest
        record."""
        slot = slot_of(sequence, step.ring.slots)
        data = self._programmer.read_at(step.ring.address(slot), step.ring.record_bytes)
        record = read_record(step.plan, step.ring, slot, data)
        if record.valid and record.sequence > newest:
            raise FindingsError([Finding(
                "PS973", f"slot {slot} of group `{step.ring.group.name}` holds record "
                f"{record.sequence}, which was not there when the part was read",
                SourceText(self._programmer.name, ""),
                help="see that nothing else uses the bus, then repeat")])

    def _refused(self, ring: Ring, fault: PageFault) -> FindingsError:
        slots = [slot for of, slot in self._skipped if of is ring]
        (finding,) = fault.findings
        if len(slots) == 1:
            return fault
        return FindingsError([replace(
            finding, message=f"{len(slots)} slots of group `{ring.group.name}` do not take what is "
            "written", notes=(*finding.notes, f"slots {', '.join(map(str, slots))}"))])

    def _compare(self, held: bytes) -> None:
        """Demand that the part holds what it should, slots that were skipped aside."""
        expected = bytearray(self._image)
        for ring, slot in self._skipped:
            span = slice(ring.address(slot), ring.address(slot) + ring.slot_pages * ring.page_bytes)
            expected[span] = held[span]
        if held != expected:
            at = next(i for i, (a, b) in enumerate(zip(held, expected, strict=True)) if a != b)
            raise FindingsError([Finding(
                "PS966", f"byte 0x{at:04X} changed while other pages were written",
                SourceText(self._programmer.name, ""),
                notes=(f"it is {held[at]:02X}, not {expected[at]:02X}",),
                help="see that nothing else uses the bus, then repeat")])

    def _findings(self) -> list[Finding]:
        return [Finding(
            "PS972", f"slot {slot} of group `{ring.group.name}` does not take what is written",
            SourceText(self._programmer.name, ""), severity=Severity.WARNING,
            notes=("the record is in the next slot, where firmware looks for it, too",),
            help="a new part has no such slot: replace it") for ring, slot in self._skipped]
