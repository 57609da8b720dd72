"""Where the EEPROM lies in what a file says: at another address, shifted, or read over a bus with
an address line that has no effect.

Nothing is moved without evidence: label copies and records of the store that are whole at their
right places. Where a file fits as it is, it stays as it is. What was found is said.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from typing import NamedTuple

from paramstore.core.errors import Finding, Severity
from paramstore.core.format import ERASED, ERASED_SEQUENCE, LABEL_MAGIC, slot_of
from paramstore.core.words import plural
from paramstore.files.forms import Dump, lay_on_part, without_fill
from paramstore.files.runs import Reading, flatten
from paramstore.image.contents import gaps_in
from paramstore.inspect.transformations import transformations, without
from paramstore.layout.plan import Plan
from paramstore.record import crc_holds, read_label, read_record, sequence_of

__all__ = ["Alignment", "align", "evidence"]

_NUMBER = re.compile(rb"(?=[\0-\xFF]{3}[\0-\x0F])(?!\0{4})", re.DOTALL)
"""A sequence number: not 0, and no ring gets to 2^28, which would be 10^8 writes for one slot."""
_ENOUGH = 2
"""Label copies and records that must fit where they are moved to, so that it is no chance."""


class Alignment(NamedTuple):
    """The bytes of the part from address 0 on. `score` counts the label copies and records that
    are whole at their places, `findings` say what was done to get there."""

    dump: Dump
    score: int
    findings: tuple[Finding, ...] = ()


def align(reading: Reading, plan: Plan, offset: int | None = None) -> Alignment:
    """Return how a file lies on the part of `plan`; `offset` is what a person says of it.

    FindingsError (PS626) if it lies outside, and nothing tells where the part begins.
    """
    return _Aligner(reading, plan).run(offset)


def evidence(plan: Plan, image: bytes) -> int:
    """Return how many label copies and records of the store are whole at their places."""
    score = sum(
        (label := read_label(image[a:a + plan.label_bytes])) is not None
        and label.store_id == plan.store_id
        for a in map(plan.label_address, (0, 1))
    )
    for ring in plan.rings:
        for slot in range(ring.slots):
            at = ring.address(slot)
            data = image[at:at + ring.record_bytes]
            if sequence_of(data) != ERASED_SEQUENCE:
                score += read_record(plan, ring, slot, data).valid
    return score


class _Aligner:
    def __init__(self, reading: Reading, plan: Plan) -> None:
        self._reading, self._plan = reading, plan
        self._capacity = plan.part.capacity

    def run(self, offset: int | None) -> Alignment:
        dump, findings = self._at(offset)
        score = evidence(self._plan, dump.data)
        if score >= _ENOUGH and offset is None and self._may_lack(dump):
            dump, told = self._whole_front(dump)
            if told:
                return Alignment(dump, evidence(self._plan, dump.data), (*findings, *told))
        # A label alone may be the second copy in the place of the first.
        if score <= _ENOUGH and offset is None and dump.data.strip(bytes([ERASED])):
            best, said = max(self._others(dump), key=lambda other: other[0].score,
                             default=(Alignment(dump, 0), None))
            if said and best.score >= max(_ENOUGH, score + 1):
                return best._replace(findings=(*findings, said))
        if score or dump.data.startswith(LABEL_MAGIC):
            dump, told = self._lines(dump)
            findings += told
        return Alignment(dump, score, findings)

    # ---- Base --------------------------------------------------------------------------------

    def _at(self, offset: int | None) -> tuple[Dump, tuple[Finding, ...]]:
        """Return the dump at the offset given, at 0 if it fits there, or where evidence puts it."""
        reading = self._reading
        if offset is not None or not reading.addressed or (
                without_fill(reading, self._capacity, 0).end <= self._capacity):
            dump = lay_on_part(reading, self._capacity, offset or 0)
            return self._once(dump) if offset is None else (dump, ())
        whole, gaps = flatten(reading.runs, reading.start, reading.end)
        best = max(self._bases(whole), default=None)
        if best is not None and best[0] >= 1:
            base = reading.start + best[1]
        elif reading.end - reading.start <= self._capacity:
            base = reading.start
        else:
            return lay_on_part(reading, self._capacity), ()  # refuses it
        if base < 0:
            return lay_on_part(reading, self._capacity), ()
        data, gaps = flatten(reading.runs, base, base + self._capacity)
        runs = without_fill(reading, self._capacity, base).runs
        outside = sum(len(r.data) for r in runs) - sum(
            min(r.end, base + self._capacity) - max(r.address, base)
            for r in runs if r.end > base and r.address < base + self._capacity)
        more = f"; {outside} bytes outside the part are left out" if outside else ""
        return Dump(data, gaps), (self._finding(
            "PS651", f"the part is taken to begin at 0x{base:X} of the file{more}",
            "say otherwise with --input-offset"),)

    def _once(self, dump: Dump) -> tuple[Dump, tuple[Finding, ...]]:
        """Return a dump that is nothing but the part over and over again, once."""
        size, data = self._capacity, dump.data
        if len(data) < 2 * size or data != (data[:size] * -(-len(data) // size))[:len(data)]:
            return dump, ()
        return Dump(data[:size], dump.gaps), (self._finding(
            "PS655", f"the dump has {len(data)} bytes and repeats itself every {size}: it was read "
            "as a larger part", "set the size of the part before reading it"),)

    def _bases(self, whole: bytes) -> Iterator[tuple[int, int]]:
        """Yield (evidence, offset in `whole`) for each place of a label."""
        for at in _finds(whole, LABEL_MAGIC):
            label = read_label(whole[at:at + self._plan.label_bytes])
            if label is not None and label.store_id == self._plan.store_id:
                for copy in (0, 1):
                    base = at - self._plan.label_address(copy)
                    image = whole[max(base, 0):max(base, 0) + self._capacity]
                    yield evidence(self._plan, bytes(max(-base, 0)) + image), base

    # ---- Address lines -----------------------------------------------------------------------

    def _lines(self, dump: Dump) -> tuple[Dump, tuple[Finding, ...]]:
        """Return a finding for the address lines that make no difference where they should, and the
        dump without what was read from the wrong side of them, where whole records tell it."""
        data = dump.data
        stuck = [bit for bit in range(self._capacity.bit_length() - 1)
                 if _repeats(data, 1 << bit) and self._contradicts(data, 1 << bit)]
        if not stuck:
            return dump, ()
        names = " and ".join(f"A{bit}" for bit in stuck)
        lost = [span for bit in stuck for span in self._unread(data, 1 << bit)]
        return without(dump, lost), (self._finding(
            "PS653", f"address line {names} has no effect: the bytes on both sides of it are the "
            "same", "a line is broken or stuck, or the part was read with too few address bytes; "
            "what lies on the other side of it was not read", Severity.ERROR),)

    def _unread(self, data: bytes, step: int) -> Iterator[tuple[int, int]]:
        """Yield (first, past the last) of the side of a line that has nothing whole at its place,
        if the other side has a record, or where there is none, a label."""
        sides = {bool(at & step) for at, _ in self._whole(data)} or {
            bool(at & step) for at in map(self._plan.label_address, (0, 1))
            if read_label(data[at:at + self._plan.label_bytes]) is not None}
        if len(sides) == 1:
            first = 0 if sides.pop() else step
            for at in range(first, len(data), 2 * step):
                yield at, min(at + step, len(data))

    def _whole(self, data: bytes) -> Iterator[tuple[int, int]]:
        """Yield where whole records are at their places, and their sizes."""
        for ring in self._plan.rings:
            for slot in range(ring.slots):
                at = ring.address(slot)
                if read_record(self._plan, ring, slot, data[at:at + ring.record_bytes]).valid:
                    yield at, ring.record_bytes

    def _contradicts(self, data: bytes, step: int) -> bool:
        """Whether a whole record, or what a label begins with, is found again where it cannot be by
        right."""
        if any(data[at ^ step:(at ^ step) + size] == data[at:at + size]
               for at, size in self._whole(data)):
            return True
        places = {self._plan.label_address(copy) for copy in (0, 1)}
        return any(data.startswith(LABEL_MAGIC, at ^ step)
                   for at in places if at ^ step not in places)

    # ---- Bytes that are missing in the middle -------------------------------------------------

    def _may_lack(self, dump: Dump) -> bool:
        """Whether bytes may be missing, or too many, between others: the file has no addresses, and
        not the length of the part."""
        return not self._reading.addressed and len(dump.data) != self._capacity

    def _whole_front(self, dump: Dump) -> tuple[Dump, tuple[Finding, ...]]:
        """Return the dump up to where bytes are missing or too many, as records away from their
        places show it; the rest as not read."""
        data = dump.data
        there = dict(self._whole(data))
        away = min(((at, right) for at, right in self._records(data)
                    if at != right and right not in there), default=None)
        labels = [at for at in map(self._plan.label_address, (0, 1))
                  if read_label(data[at:at + self._plan.label_bytes]) is not None]
        ends = [*(at + self._plan.label_bytes for at in labels),
                *(at + size for at, size in there.items())]
        if away is None or sum(end <= away[0] for end in ends) < _ENOUGH:
            return dump, ()
        keep = max(end for end in ends if end <= away[0])
        by, side = abs(away[1] - away[0]), "before" if away[0] < away[1] else "behind"
        what = "missing" if away[0] < away[1] else "too many"
        return without(dump, [(keep, len(data))]), (self._finding(
            "PS659", f"a whole record at 0x{away[0]:X} stands {plural(by, 'byte')} {side} its "
            f"place: bytes are {what} between 0x{keep:X} and it", "read the part again, or copy "
            "all lines of the dump; what is behind is taken as not read", Severity.ERROR),)

    # ---- Other readings ----------------------------------------------------------------------

    def _others(self, dump: Dump) -> Iterator[tuple[Alignment, Finding]]:
        """Yield what the dump may be if it is not what it seems, and what is to be said then."""
        for other, said in transformations(dump, self._shifts(dump.data), self._reading.source,
                                      len(dump.data) == self._capacity):
            size = max(self._capacity, len(dump.data))
            lies = Dump(other.data[:size], gaps_in(other.gaps, 0, size))
            yield Alignment(lies, evidence(self._plan, lies.data)), said

    def _shifts(self, data: bytes) -> list[int]:
        """Return how far labels and records stand behind their places, most of them first."""
        votes: Counter[int] = Counter()
        places = [self._plan.label_address(copy) for copy in (0, 1)]
        for at in _finds(data, LABEL_MAGIC):
            label = read_label(data[at:at + self._plan.label_bytes])
            if label is not None and label.store_id == self._plan.store_id:
                votes.update(at - p for p in places)
        votes.update(at - right for at, right in self._records(data))
        return [shift for shift, _ in votes.most_common(8) if shift]

    def _records(self, data: bytes) -> Iterator[tuple[int, int]]:
        """Yield (where it stands, where it belongs) of each record of the store, anywhere."""
        starts = [match.start() for match in _NUMBER.finditer(data)]
        for ring in self._plan.rings:
            for at in starts:
                record = data[at:at + ring.record_bytes]
                if len(record) == ring.record_bytes and crc_holds(self._plan, ring, record):
                    yield at, ring.address(slot_of(sequence_of(record), ring.slots))

    def _finding(self, code: str, message: str, help: str,
              severity: Severity = Severity.WARNING) -> Finding:
        return Finding(code, message, self._reading.source, help=help, severity=severity)


def _finds(data: bytes, pattern: bytes) -> Iterator[int]:
    at = data.find(pattern)
    while at >= 0:
        yield at
        at = data.find(pattern, at + 1)


def _repeats(data: bytes, step: int) -> bool:
    """Whether each block of `step` bytes is equal to the one on the other side of the line."""
    return len(data) >= 2 * step and all(
        data[at:at + step] == data[at + step:at + 2 * step]
        for at in range(0, len(data) - 2 * step + 1, 2 * step)
    )
