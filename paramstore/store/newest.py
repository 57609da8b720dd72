"""Finding the newest record of a ring (FORMAT.md, 4), with few reads where all is well.

A bisection over the heads of the slots leads to a guess. Where heads are out of order, or the
record guessed is not valid, all slots are scanned. Knows no fields and no flags.
"""

from __future__ import annotations

from dataclasses import dataclass

from paramstore.checksum import CRC_BYTES, crc32c, record_prefix
from paramstore.format import HEADER_BYTES, skip_limit, slot_of
from paramstore.layout.figures import LOAD_TRIES
from paramstore.layout.plan import Plan, Ring
from paramstore.store.requests import Steps
from paramstore.store.wire import Wire

__all__ = ["NO_RECORD", "Found", "RingReader", "record_crc"]

NO_RECORD = 0
"""The sequence number of a head that is erased, or of a ring without a record."""

_JUNK = 0xFFFF_FFFF  # a head that no record of that slot can have, or heads out of order
_NUMBER_BYTES = 4


@dataclass(slots=True)
class Found:
    """The newest record of a ring: its number, revision and body; None if there is none.

    `damage`: something was not as it must be.
    """

    sequence: int = NO_RECORD
    revision: int = 0
    body: bytes | None = None
    damage: bool = False


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
            record = (yield from self.record(newest)) if newest != _JUNK else None
            if record is not None:
                found.sequence = newest
                found.revision, found.body = record
                return
            found.damage = True
            # A record that the scan found may read otherwise when it is loaded: then the one
            # before it.
            if tries < LOAD_TRIES:
                newest = yield from self._scan(newest)

    def head(self, slot: int) -> Steps[int]:
        """Read the number at the head of a slot: NO_RECORD if erased, _JUNK if out of place."""
        data = yield from self._wire.read(self.ring.address(slot), _NUMBER_BYTES)
        number = int.from_bytes(data, "little")
        if number == _JUNK:
            return NO_RECORD
        belongs = number != 0 and slot_of(number, self.ring.slots) == slot
        return number if belongs else _JUNK

    def record(self, sequence: int) -> Steps[tuple[int, bytes] | None]:
        """Read record `sequence` page by page; return revision and body, None if not valid."""
        ring = self.ring
        address = ring.address(slot_of(sequence, ring.slots))
        data = b""
        for offset, length in ring.writes():
            data += yield from self._wire.read(address + offset, length)
            if not data.startswith(sequence.to_bytes(_NUMBER_BYTES, "little")):
                return None
        front, crc = data[:-CRC_BYTES], data[-CRC_BYTES:]
        if crc != record_crc(self._plan, ring, front):
            return None
        return front[_NUMBER_BYTES], front[HEADER_BYTES:]

    def _guess(self) -> Steps[int]:
        """Bisect: from slot 0 to the newest record numbers rise by one, then comes one lap before.

        A commit may have passed over slots without a trace, so as many heads behind the newest
        must be in order too. Returns _JUNK if one that is met is not.
        """
        slots = self.ring.slots
        low, high = 0, slots
        newest = yield from self.head(0)
        if newest > _JUNK - 2 * slots:
            return _JUNK  # damage: no ring lives that long, and 32-bit sums would overflow
        while high - low > 1:
            middle = (low + high) // 2
            here = newest + middle - low
            number = yield from self.head(middle)
            if number == here:
                low, newest = middle, here
            elif number == self._lap_before(here):
                high = middle
            else:
                return _JUNK
        # The first slot behind the newest was met above.
        for k in range(2, skip_limit(slots) + 2):
            number = yield from self.head((low + k) % slots)
            if number != self._lap_before(newest + k):
                return _JUNK
        return newest

    def _lap_before(self, sequence: int) -> int:
        """Return the number that a slot held before record `sequence` was written to it."""
        return sequence - self.ring.slots if sequence > self.ring.slots else NO_RECORD

    def _scan(self, limit: int) -> Steps[int]:
        """Return the greatest valid number below `limit`, looking at every slot.

        Downwards from the slot before that of `limit`, so that usually just one record is read.
        """
        slots = self.ring.slots
        best = NO_RECORD
        for back in range(1, slots + 1):
            number = yield from self.head((slot_of(limit, slots) - back) % slots)
            if best < number < limit and (yield from self.record(number)) is not None:
                best = number
        return best


def record_crc(plan: Plan, ring: Ring, front: bytes) -> bytes:
    """Return the CRC bytes that follow `front`, all of a record before them."""
    crc = crc32c(record_prefix(plan.store_id, ring.group.id) + front)
    return crc.to_bytes(CRC_BYTES, "little")
