"""What a plan costs and how long it lasts: page writes, bus bits, times, life, memory.

Counts are those of the firmware runtime, transfer by transfer, as paramstore.c makes them; a test
compares them with the simulated part. Times assume nothing of the processor. Nothing here is
needed to place anything.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import StrEnum
from functools import cache
from typing import NamedTuple

from paramstore.core.format import LABEL_MAGIC, skip_limit
from paramstore.layout.memory import unit_bytes, values_bytes
from paramstore.layout.physics import (
    POLL_BITS,
    HoldUp,
    bits_ms,
    endurance_at,
    hold_up,
    life_years,
    read_bits,
    write_bits,
)
from paramstore.layout.plan import Plan, Ring
from paramstore.layout.strength import Strength, strength
from paramstore.layout.traffic import Traffic, page_write, reading, total
from paramstore.schema.part import Part

__all__ = ["Phase", "PhaseKind", "PlanFigures", "RingFigures", "commit_phases", "figures",
           "mount_bits"]

READ_BACK_BYTES = 32
"""The runtime reads a page back in pieces of at most this many bytes."""
HEAD_BYTES = 4
"""What is read to see which record a slot holds."""
READ_TRIES = 2
"""A record, or a label, that reads wrong is read again before that counts."""
LOAD_TRIES = 3
"""How often mount looks through a whole ring for a record that reads twice alike."""


class RingFigures(NamedTuple):
    """One group. Bits and times are those of a commit in which nothing goes wrong, over a record
    that no later release has written.

    `commit_bits` are the page writes with their read-back; while the part is busy, up to
    `commit_polls` read-backs of POLL_BITS bits each are not acknowledged besides. `commit_ms` is
    the time at the longest write cycle, these polls and the waits between them included.
    `life_years` is inf for a group that is never written. `mount_bits` are the most that finding
    and reading the newest record takes in a ring without damage.
    """

    ring: Ring
    page_writes: int  # of one commit
    commit_bits: int
    commit_polls: int
    commit_ms: float
    life_years: float  # until the first page has seen its endurance
    spare: float  # life_years over the life wanted
    commits: int  # possible within the endurance
    mount_bits: int
    longest_ms: float  # of a commit, waiting, worn slots and second readings included
    strength: Strength


class PlanFigures(NamedTuple):
    """The whole store. `mount_ms` is bus time; `worst_mount_bits` bounds a mount whatever the
    part holds and however its cells read, if it acknowledges once its write cycle is over.
    `longest_ms` bounds a call whatever the part does: if it acknowledges each transfer at the last
    try only, and all that can be read or written again is."""

    rings: tuple[RingFigures, ...]
    endurance: float  # write cycles of a page at the store's temperature
    mount_bits: int
    mount_ms: float
    worst_mount_bits: int
    worst_mount_ms: float
    worst_format_bits: int  # beside the commits of migrated groups
    worst_wipe_bits: int
    longest_ms: Mapping[str, float]  # of mount, format and wipe, waiting included
    hold_up: HoldUp
    values_bytes: int  # RAM of the values struct on a 32-bit controller
    working_bytes: int  # RAM of the rest of the store there

    def ring(self, group: str) -> RingFigures:
        """Return the figures of the group called `group`; KeyError if there is none."""
        for r in self.rings:
            if r.ring.group.name == group:
                return r
        raise KeyError(group)


class PhaseKind(StrEnum):
    """What goes on in a stretch of a commit."""

    KEPT = "reading what is kept"  # bytes of fields that were taken out
    TRANSFER = "page write on the bus"
    CYCLE = "write cycle of the part"  # with the polls that it does not answer
    READ_BACK = "read-back"


class Phase(NamedTuple):
    """A stretch of a commit and how long it takes."""

    kind: PhaseKind
    ms: float


def figures(plan: Plan) -> PlanFigures:
    """Return all figures of `plan`, rings in the order of the plan."""
    part, khz = plan.part, plan.schema.bus_khz
    cycles = endurance_at(part, plan.schema.temperature_c)
    rings = tuple(_ring_figures(plan, ring, cycles) for ring in plan.rings)
    mount = _label(plan).bits + sum(r.mount_bits for r in rings)
    busy = _failed_polls(part, khz, first_us=0)
    read = (*plan.rings, *plan.retired_sources)
    moved = sum(m.count * m.conversion.from_scalar.size for m in plan.migrations)
    worst = (_worst_label(plan) + total(_worst_ring(part, r) for r in read)
             + (READ_TRIES + 2) * moved * reading(part, 1)).together()
    worst_bits = worst.bits + busy * POLL_BITS
    target = {migration.group for migration in plan.migrations}
    commits = {r.group.id: _worst_commit(part, r) for r in plan.rings}
    formatting, wiping = _worst_format(plan), _worst_wipe(plan)
    taking_over = total(t for group, t in commits.items() if group in target)
    longest = {"mount": worst, "format": formatting + taking_over, "wipe": wiping}
    return PlanFigures(
        rings=rings,
        endurance=cycles,
        mount_bits=mount,
        mount_ms=bits_ms(mount, khz),
        worst_mount_bits=worst_bits,
        worst_mount_ms=bits_ms(worst_bits, khz) + busy * part.poll_us / 1000,
        worst_format_bits=formatting.bits,
        worst_wipe_bits=wiping.bits,
        longest_ms={call: traffic.longest_ms(part, khz) for call, traffic in longest.items()},
        hold_up=hold_up(part, plan.schema.supply_v, khz),
        values_bytes=values_bytes(plan),
        working_bytes=unit_bytes(plan) - values_bytes(plan),
    )


def mount_bits(plan: Plan, newest: Mapping[str, int]) -> int:
    """Return the exact bits of a mount without damage; `newest` gives the sequence number of the
    newest record of each group, 0 if it has none. No slot has been passed over, and all copies are
    there."""
    return _label(plan).bits + sum(_ring_bits(plan.part, r, newest[r.group.name])
                                   for r in plan.rings)


def _ring_bits(part: Part, ring: Ring, newest: int) -> int:
    """Return the bits of finding and reading record `newest`, and its copies."""
    bits = _heads_read(ring.slots, newest) * read_bits(part.address_bytes, HEAD_BYTES)
    if newest == 0:
        return bits
    copies = min(ring.group.copies, newest) - 1
    return bits + (_record(part, ring) + copies * _copy(part, ring)).bits


def commit_phases(plan: Plan, ring: Ring) -> tuple[Phase, ...]:
    """Return where the time of one commit goes, in order; together they take `commit_ms`."""
    part, khz = plan.part, plan.schema.bus_khz
    polls = _failed_polls(part, khz, first_us=part.poll_us)
    cycle_ms = (polls + 1) * part.poll_us / 1000 + bits_ms(polls * POLL_BITS, khz)
    phases = []
    if ring.reserved:
        kept = _record(part, ring) + _piece(part, ring)
        phases.append(Phase(PhaseKind.KEPT, bits_ms(kept.bits, khz)))
    for _, length in ring.writes():
        transfer = write_bits(part.address_bytes, length)
        phases += [Phase(PhaseKind.TRANSFER, bits_ms(transfer, khz)),
                   Phase(PhaseKind.CYCLE, cycle_ms),
                   Phase(PhaseKind.READ_BACK, bits_ms(_page(part, length).bits - transfer, khz))]
    return tuple(phases * ring.group.copies)


def _ring_figures(plan: Plan, ring: Ring, cycles: float) -> RingFigures:
    part, khz, copies = plan.part, plan.schema.bus_khz, ring.group.copies
    pages = copies * ring.slot_pages
    commit = total(_page(part, length) for _, length in ring.writes())
    if ring.reserved:  # what stands there is kept: the newest record is read along
        commit += _record(part, ring) + _piece(part, ring)
    bits = copies * commit.bits
    polls = pages * _failed_polls(part, khz, first_us=part.poll_us)
    waits_ms = (polls + pages) * part.poll_us / 1000
    life = life_years(cycles, ring.slots, ring.group.writes_per_day * copies)
    return RingFigures(
        ring=ring,
        page_writes=pages,
        commit_bits=bits,
        commit_polls=polls,
        commit_ms=bits_ms(bits + polls * POLL_BITS, khz) + waits_ms,
        life_years=life,
        spare=life / plan.schema.life_years,
        commits=int(cycles * ring.slots / copies),
        mount_bits=_most_heads(ring.slots) * read_bits(part.address_bytes, HEAD_BYTES)
        + (_record(part, ring) + (copies - 1) * _copy(part, ring)).bits,
        longest_ms=_worst_commit(part, ring).longest_ms(part, khz),
        strength=strength(ring.record_bytes),
    )


def _page(part: Part, length: int, readings: int = 1) -> Traffic:
    """Return one page write and its read-back."""
    pieces = (min(READ_BACK_BYTES, length - at) for at in range(0, length, READ_BACK_BYTES))
    return page_write(part, length) + readings * total(reading(part, n) for n in pieces)


def _worst_commit(part: Part, ring: Ring) -> Traffic:
    """Return a commit that passes over as many slots as it may, each page read back twice, and what
    is kept, or compared, read twice before."""
    record = total(_page(part, length, READ_TRIES + 1) for _, length in ring.writes())
    kept = READ_TRIES * (_record(part, ring) + _piece(part, ring))
    return ring.group.copies * (1 + skip_limit(ring.slots)) * (record + kept)


def _failed_polls(part: Part, khz: int, first_us: int) -> int:
    """Return how many polls a part leaves unanswered in its longest write cycle, the first one
    made `first_us` after the STOP. A part is asked by the START and answers or not from then."""
    bit_us = 1000 / khz
    return max(0, math.ceil(
        (part.write_ms * 1000 - first_us - bit_us) / (part.poll_us + POLL_BITS * bit_us)))


def _label(plan: Plan) -> Traffic:
    """Return the traffic of reading the label, and of looking whether it shows up a second time, as
    on a part of half the size."""
    return 2 * reading(plan.part, plan.label_bytes)


def _worst_label(plan: Plan) -> Traffic:
    """Return the traffic of finding the label where copy 0 is not whole: both copies are read
    again, and looked for again."""
    label = reading(plan.part, plan.label_bytes)
    return 2 * READ_TRIES * label + label + reading(plan.part, len(LABEL_MAGIC))


def _label_write(plan: Plan) -> Traffic:
    """Return the traffic of writing one label copy and reading it back."""
    page, size = plan.part.page, plan.label_bytes
    return total(_page(plan.part, min(page, size - at)) for at in range(0, size, page))


def _pieces(plan: Plan) -> tuple[int, int]:
    """Return into how many pieces all rings are divided to look through or erase them, and the
    bytes of each."""
    size = min(plan.part.page, READ_BACK_BYTES)
    pages = sum(r.slots * r.slot_pages for r in (*plan.rings, *plan.retired_sources))
    return pages * plan.part.page // size, size


def _worst_format(plan: Plan) -> Traffic:
    """Return the traffic of a format: the label found and every piece of the rings read, before and
    after one label copy is written; each copy read again before it is, copy 1 twice more; and the
    label found at the end."""
    count, size = _pieces(plan)
    label = READ_TRIES * reading(plan.part, plan.label_bytes)
    looking = _worst_label(plan) + count * reading(plan.part, size) + label
    return (2 * looking.together() + 2 * label.together() + 2 * _label_write(plan)
            + _worst_label(plan).together())


def _worst_wipe(plan: Plan) -> Traffic:
    """Return the traffic of a wipe: the label read; the mark written, every piece read and erased,
    both label copies erased."""
    count, size = _pieces(plan)
    piece = (2 * reading(plan.part, size)).together() + _page(plan.part, size)
    return ((READ_TRIES * reading(plan.part, plan.label_bytes)).together() + count * piece
            + 3 * _label_write(plan))


def _piece(part: Part, ring: Ring) -> Traffic:
    """Return the traffic of reading a record in the pieces in which pages are compared."""
    step = min(ring.page_bytes, READ_BACK_BYTES)
    return total(reading(part, min(step, ring.record_bytes - at))
               for at in range(0, ring.record_bytes, step))


def _copy(part: Part, ring: Ring) -> Traffic:
    """Return the traffic of comparing a copy with the newest record."""
    return 2 * _piece(part, ring)


def _record(part: Part, ring: Ring) -> Traffic:
    return total(reading(part, length) for _, length in ring.writes())


def _heads_read(slots: int, newest: int) -> int:
    """Return how many heads are read to find record `newest` (0: to see that there is none):
    the first, those of the bisection, and those that a commit may have passed over. What speaks
    against a newer record is read twice."""
    target, low, high, reads = max(newest - 1, 0) % slots, 0, slots, 1 if newest else 2
    while high - low > 1:
        middle = (low + high) // 2
        if middle <= target:
            low, reads = middle, reads + 1
        else:
            high, reads = middle, reads + 2
    return reads + 2 * skip_limit(slots)


@cache
def _most_steps(span: int) -> int:
    """Return the most reads of a bisection among `span` slots."""
    half = span // 2
    return max(1 + _most_steps(span - half), 2 + _most_steps(half)) if half else 0


def _most_heads(slots: int) -> int:
    """Return the most heads read in a ring with a record and without damage."""
    return 1 + _most_steps(slots) + 2 * skip_limit(slots)


def _worst_ring(part: Part, ring: Ring) -> Traffic:
    """Return the traffic of a ring in which every head looks right and no record can be relied on:
    the newest by bisection, then each time all heads, every record, and the one chosen, all of it
    twice; then each slot that may hold a copy, twice."""
    head, record = reading(part, HEAD_BYTES), _record(part, ring)
    scan = READ_TRIES * (ring.slots * (head + record) + record)
    missing = ring.group.copies - 1
    copies = min(missing + skip_limit(ring.slots), ring.slots - 1) if missing else 0
    heads = READ_TRIES * (1 + (ring.slots - 1).bit_length() + skip_limit(ring.slots))
    return (heads * head + READ_TRIES * record + LOAD_TRIES * scan
            + READ_TRIES * copies * _copy(part, ring))
