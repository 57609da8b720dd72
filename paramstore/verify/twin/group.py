"""What the store knows of one group, and the values that production gives it: those of an image in
the memory of a controller, or defaults. Knows no transfer and no protocol.
"""

from __future__ import annotations

from paramstore.core.format import ERASED_SEQUENCE
from paramstore.core.status import Health
from paramstore.layout.plan import Plan, Ring
from paramstore.record import (
    RecordState,
    build_label,
    default_payload,
    read_record,
    sequence_of,
)
from paramstore.verify.twin.newest import NO_RECORD, RingReader
from paramstore.verify.twin.values import RamValues
from paramstore.verify.twin.wire import Wire

__all__ = ["GroupState", "factory_bodies"]


class GroupState:
    """State of one group: its ring, its values, its flags."""

    def __init__(self, plan: Plan, ring: Ring, wire: Wire) -> None:
        self.ring = ring
        self.reader = RingReader(plan, ring, wire)
        self.reset_ram()

    def reset_ram(self) -> None:
        """Go back to the state before mount."""
        self.values = RamValues(self.ring)
        self.sequence = NO_RECORD
        self.revision = 0  # of the newest record
        self.health = Health.DEFAULTS
        self.skipped = 0  # slots skipped by a commit that has not succeeded yet


def factory_bodies(plan: Plan, image: bytes | None) -> dict[str, bytes] | None:
    """Return the record body of each group that gets one; None if the image is not of this layout
    and release, or not as packed: with record 1 whole in slot 0, and nothing behind its copies.

    A group whose record is erased in the image gets none. Without an image all get defaults, but
    for protected groups: a default is no calibration.
    """
    if image is None:
        return {ring.group.name: bytes(default_payload(ring)) for ring in plan.rings
                if not ring.group.role.protected}
    if not image.startswith(build_label(plan)):
        return None
    bodies = {}
    for ring in plan.rings:
        record = read_record(plan, ring, 0, image[ring.address(0):])
        if record.state is RecordState.ERASED:
            continue
        behind = sequence_of(image[ring.address(ring.group.copies):])
        if not record.valid or record.sequence != 1 or behind != ERASED_SEQUENCE:
            return None
        bodies[ring.group.name] = record.body
    return bodies
