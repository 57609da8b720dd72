"""Labels and records laid into the bytes of a part."""

from __future__ import annotations

from paramstore.core.format import ERASED, slot_of
from paramstore.layout.plan import Plan, Ring
from paramstore.record.label import build_label
from paramstore.record.record import build_record

__all__ = ["labelled_image", "lay_labels", "lay_records"]


def labelled_image(plan: Plan) -> bytearray:
    """Return the bytes of a whole part with both labels and no record."""
    image = bytearray([ERASED]) * plan.part.capacity
    lay_labels(image, plan)
    return image


def lay_labels(image: bytearray, plan: Plan) -> None:
    """Write both copies of the label."""
    label = build_label(plan)
    for at in map(plan.label_address, (0, 1)):
        image[at:at + len(label)] = label


def lay_records(image: bytearray, plan: Plan, ring: Ring, body: bytes, revision: int,
                newest: int = 0) -> None:
    """Commit a body to a ring: as many records as it keeps copies, behind number `newest`.

    Raises CodecError as `build_record`.
    """
    for sequence in range(newest + 1, newest + 1 + ring.group.copies):
        at = ring.address(slot_of(sequence, ring.slots))
        image[at:at + ring.record_bytes] = build_record(plan, ring, sequence, body, revision)
