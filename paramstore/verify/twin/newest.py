"""Finding the newest record of a ring (FORMAT.md, 4), with few reads where all is well.

A bisection over the heads of the slots leads to a guess. Where heads are out of order, or the
record guessed is not valid, all slots are scanned. What speaks against a newer record is read twice
before it counts. Knows no fields and no flags.
"""

from __future__ import annotations

from dataclasses import dataclass

from paramstore.core.format import (
    ERASED_SEQUENCE,
    RECORD_PARTS,
    SEQUENCE_END,
    skip_limit,
    slot_of,
)
from paramstore.layout.figures import LOAD_TRIES, READ_BACK_BYTES, READ_TRIES
from paramstore.layout.plan import Plan, Ring
from paramstore.record import crc_holds, sequence_of, split_record
from paramstore.verify.twin.wire import Steps, Wire

__all__ = ["NO_RECORD", "Found", "RingReader"]

NO_RECORD = 0
"""The sequence number of a head that is erased, or of a ring without a record."""

_INVALID = ERASED_SEQUENCE  # a head that no record of that slot can have, or heads out of order
_NUMBER_BYTES = RECORD_PARTS[0].size


@dataclass(slots=True)
class Found:
    """The newest record of a ring: its number, revision and body; None if there is none.

    `damage`: something was not as it must be. `copies`: as many are there as the group asks.
    """

    sequence: int = NO_RECORD
    revision: int = 0
    body: bytes | None = None
    damage: bool = False
    copies: bool = True


class RingReader:
    """Reads one ring. All methods raise BusFailure."""

    def __init__(self, plan: Plan, ring: Ring, wire: Wire) -> None:
        self._plan = plan
        self.ring = ring
        self._wire = wire

    def find(self, found: Found) -> Steps[None]:
        """Find the newest record and read it into `found`."""
        newest = yield from self._guess()
        for tries in range(LOAD_TRIES + 1):
            if newest == NO_RECORD:
                return
            record = (yield from self._load(newest)) if newest != _INVALID else None
            if record is not None:
                found.sequence = newest
                found.revision, found.body = record
                found.copies = False  # as long as it is not seen
                found.copies = yield from self._copies_ok(newest)
                return
            found.damage = True
            # A record that the scan found may read otherwise when it is loaded: then the one
            # before it.
            if tries < LOAD_TRIES:
                newest = yield from self._scan(newest)

    def head(self, slot: int) -> Steps[int]:
        """Read the number at the head of a slot: NO_RECORD if erased, _INVALID if out of place."""
        data = yield from self._wire.read(self.ring.address(slot), _NUMBER_BYTES)
        number = sequence_of(data)
        if number == ERASED_SEQUENCE:
            return NO_RECORD
        belongs = 0 < number < SEQUENCE_END and slot_of(number, self.ring.slots) == slot
        return number if belongs else _INVALID

    def _confirm_head(self, slot: int, leads_on: int) -> Steps[int]:
        """The same; what is not the number that would lead on is read twice, _INVALID if unlike."""
        number = yield from self.head(slot)
        if number != leads_on and (yield from self.head(slot)) != number:
            return _INVALID
        return number

    def _load(self, sequence: int) -> Steps[tuple[int, bytes] | None]:
        """Read record `sequence`; twice if it is not valid."""
        record = None
        for _ in range(READ_TRIES):
            record = record or (yield from self.record(sequence))
        return record

    def _copies_ok(self, sequence: int) -> Steps[bool]:
        """Return whether the records right before have the same body, as many as the group asks.

        Slots that a commit skipped may lie between.
        """
        slots = self.ring.slots
        missing = self.ring.group.copies - 1
        most = min(missing + skip_limit(slots), slots - 1, sequence - 1)
        for copy in range(sequence - 1, sequence - 1 - most, -1):
            if missing == 0:
                break
            whole = same = False
            for _ in range(READ_TRIES):
                if not same:
                    found = yield from self._same(sequence, copy)
                    whole, same = whole or found is not None, found is True
            if whole and not same:
                return False
            missing -= same
        return missing == 0

    def _same(self, sequence: int, copy: int) -> Steps[bool | None]:
        """Return whether record `copy` has the body of `sequence`; None if it is not valid."""
        ring = self.ring
        record = [b"", b""]
        for at in _pieces(ring):
            for i, number in enumerate((copy, sequence)):
                address = ring.address(slot_of(number, ring.slots)) + at.start
                record[i] += yield from self._wire.read(address, len(at))
                if i == 0 and sequence_of(record[0]) != copy:
                    return None
        if not crc_holds(self._plan, ring, record[0]):
            return None
        one, other = map(split_record, record)
        return (one.revision, one.body) == (other.revision, other.body)

    def record(self, sequence: int) -> Steps[tuple[int, bytes] | None]:
        """Read record `sequence` page by page; return revision and body, None if not valid."""
        ring = self.ring
        address = ring.address(slot_of(sequence, ring.slots))
        data = b""
        for offset, length in ring.writes():
            data += yield from self._wire.read(address + offset, length)
            if sequence_of(data) != sequence:
                return None
        if not crc_holds(self._plan, ring, data):
            return None
        record = split_record(data)
        return record.revision, record.body

    def _guess(self) -> Steps[int]:
        """Bisect: from slot 0 to the newest record numbers rise by one, then comes one lap before.

        A commit may have skipped slots without a trace, so as many heads behind the newest
        must be in order too. Returns _INVALID if one that is met is not.
        """
        slots = self.ring.slots
        low, high = 0, slots
        newest = yield from self.head(0)
        if newest == NO_RECORD:
            newest = yield from self.head(0)
        if newest == _INVALID:
            return _INVALID
        while high - low > 1:
            middle = (low + high) // 2
            here = newest + middle - low
            number = yield from self._confirm_head(middle, here)
            if number == here:
                low, newest = middle, here
            elif number == self._previous_lap(here):
                high = middle
            else:
                return _INVALID
        # The first slot behind the newest was met above.
        for k in range(2, skip_limit(slots) + 2):
            number = yield from self._confirm_head((low + k) % slots, newest + k)
            if number != self._previous_lap(newest + k):
                return _INVALID
        return newest

    def _previous_lap(self, sequence: int) -> int:
        """Return the number that a slot held before record `sequence` was written to it."""
        return sequence - self.ring.slots if sequence > self.ring.slots else NO_RECORD

    def _scan(self, limit: int) -> Steps[int]:
        """Return the greatest valid number below `limit`, looking at every slot.

        Downwards from the slot before that of `limit`, so that usually just one record is read.
        """
        slots = self.ring.slots
        best = NO_RECORD
        for back in range(1, slots + 1):
            for _ in range(READ_TRIES):
                number = yield from self.head((slot_of(limit, slots) - back) % slots)
                if best < number < limit and (yield from self.record(number)) is not None:
                    best = number
                    break
        return best


def _pieces(ring: Ring) -> list[range]:
    """Return the runs of a record in which two records are compared."""
    step = min(ring.page_bytes, READ_BACK_BYTES)
    end = ring.record_bytes
    return [range(at, min(at + step, end)) for at in range(0, end, step)]
