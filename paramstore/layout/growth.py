"""What a group can still take in once its ring is released, and what room for more would cost.

A released ring stays where it is, with records as long as they are: later parameters go into the
room of their group, or into a new group on free pages. So the time to look at it is before.
"""

from __future__ import annotations

from typing import NamedTuple

from paramstore.core.format import OVERHEAD_BYTES
from paramstore.layout.demand import FILL_BYTES
from paramstore.layout.plan import Ring

__all__ = ["Growth", "growth_of"]


class Growth(NamedTuple):
    """`room`: bytes of parameters that fit later. With a `room` of `next_room` bytes, the next one
    that uses its last page as far as the planner fills it, the ring takes `pages` more pages, and
    a commit `page_writes` more page writes."""

    ring: Ring
    room: int
    next_room: int
    pages: int
    page_writes: int


def growth_of(ring: Ring) -> Growth:
    """Return what a group can take in, and the next step to more."""
    page = ring.page_bytes
    step = min(FILL_BYTES, page)
    record = (ring.record_bytes // step + 1) * step
    longer = -(-record // page)
    return Growth(
        ring, ring.body_bytes - ring.payload_bytes, record - OVERHEAD_BYTES - ring.payload_bytes,
        (longer - ring.slot_pages) * ring.slots,
        (longer - sum(1 for _ in ring.writes())) * ring.group.copies)
