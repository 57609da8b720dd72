"""What each group asks for: bytes of a record, pages of a slot, slots of a ring.

Looks at one group at a time; where the rings go is decided in `place`.

How many slots. A commit writes the whole record into the next slot of its ring (`copies` records
one after another where a group is kept in copies), so a page is written once in `slots` records.
The ring gets as many slots as the records of the wanted life need to stay within the endurance
of the part at the given temperature, and never fewer than three: the newest record, the slot
that is being written, and one to go to when that slot turns out to be bad. It never plans a power
of two: there one wrong bit could make the newest record look like one of a lap before (FORMAT.md,
section 7). A schema may ask for any number from two; too few for the life is told as a warning
(`place`).

How many bytes. The record is filled up to the next multiple of 32 bytes, or of the page where
that is smaller: room for parameters to come that costs no page write today or later.

A released ring stays where it is, with records as long as they are: later parameters go into the
room of their group, or into a new group on free pages. So the time to look at what a group can
still take in (`growth_of`) is before.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from paramstore.core.format import OVERHEAD_BYTES
from paramstore.layout.physics import DAYS_PER_YEAR, endurance_at
from paramstore.layout.plan import Ring
from paramstore.schema.model import Group, Schema

__all__ = [
    "Demand",
    "Growth",
    "body_bytes",
    "demand_of",
    "demands_of",
    "growth_of",
    "least_slots",
    "records_in_life",
    "slots_for_life",
]

FILL_BYTES = 32
"""Records are filled up to a multiple of this, or of the page where that is smaller."""
SPARE_SLOTS = 3
"""The newest record, the slot being written, and one to pass on to."""


class Demand(NamedTuple):
    """What one group takes on one part. `least`: slots that it needs however seldom written."""

    group: Group
    body_bytes: int
    slot_pages: int
    slots: int
    least: int

    @property
    def pages(self) -> int:
        """Pages of the whole ring."""
        return self.slots * self.slot_pages

    @property
    def hot(self) -> bool:
        """Whether the ring is longer than it would be if the group were never written."""
        return self.slots > self.least


def demands_of(schema: Schema) -> tuple[Demand, ...]:
    """Return what every group asks for, in order of group id."""
    return tuple(demand_of(g, schema) for g in sorted(schema.groups, key=lambda g: g.id))


def demand_of(group: Group, schema: Schema) -> Demand:
    """Return what `group` asks for on the part of `schema`."""
    body = body_bytes(group, schema.part.page)
    least = least_slots(group)
    slots = group.slots or _no_power_of_two(max(least, slots_for_life(group, schema)))
    return Demand(group, body, -(-(body + OVERHEAD_BYTES) // schema.part.page), slots, least)


def body_bytes(group: Group, page: int) -> int:
    """Return payload + room: as the schema says, or filled up without one more page write."""
    if group.room is not None:
        return group.payload_bytes + group.room
    step = min(FILL_BYTES, page)
    return -(-(group.payload_bytes + OVERHEAD_BYTES) // step) * step - OVERHEAD_BYTES


def least_slots(group: Group) -> int:
    """Return the slots a ring needs whatever its write rate, if the schema does not say."""
    return _no_power_of_two(max(SPARE_SLOTS, group.copies + 1))


def _no_power_of_two(slots: int) -> int:
    return slots + 1 if slots & (slots - 1) == 0 else slots


def records_in_life(group: Group, schema: Schema) -> float:
    """Return how many records the group writes in the life of the store."""
    return group.writes_per_day * DAYS_PER_YEAR * schema.life_years * group.copies


def slots_for_life(group: Group, schema: Schema) -> int:
    """Return the slots that keep every page within its endurance over the life of the store."""
    slots = records_in_life(group, schema) / endurance_at(schema.part, schema.temperature_c)
    return math.ceil(round(slots, 6))  # the last bits of a float must not decide a layout


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
