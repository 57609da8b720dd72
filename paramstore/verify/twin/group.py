"""What the store knows of one group. Knows no transfer and no protocol."""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.core.format import HEADER_BYTES
from paramstore.core.status import Health
from paramstore.layout.plan import Plan, Ring
from paramstore.verify.twin.newest import NO_RECORD, RingReader
from paramstore.verify.twin.values import Values
from paramstore.verify.twin.wire import Wire

__all__ = ["Group"]


class Group:
    """State of one group: its ring, its values, its flags."""

    def __init__(self, plan: Plan, ring: Ring, wire: Wire) -> None:
        self.ring = ring
        self.reader = RingReader(plan, ring, wire)
        self.forget()

    def forget(self) -> None:
        """Go back to the state before mount."""
        self.values = Values(self.ring)
        self.sequence = NO_RECORD
        self.revision = 0  # of the newest record
        self.health = Health.DEFAULTS
        self.passed = 0  # slots passed over by a commit that has not succeeded yet

    def kept(self) -> Iterator[range]:
        """Yield the bytes of a record that a commit takes from the newest one."""
        ring = self.ring
        for reserved in ring.reserved:
            if self.revision >= reserved.since:
                first = HEADER_BYTES + reserved.offset
                yield range(first, first + reserved.size)
        if self.revision > ring.revision:
            yield range(HEADER_BYTES + ring.payload_bytes, HEADER_BYTES + ring.body_bytes)
