"""Values from where earlier releases kept them (FORMAT.md, 9): read, converted, flagged.

Knows moves and how to read bytes. Knows no label and no commit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from paramstore.core.format import HEADER_BYTES, slot_of
from paramstore.core.status import Health
from paramstore.layout.moves import Move, convert
from paramstore.layout.plan import Plan
from paramstore.record import element_bytes
from paramstore.verify.twin.group import GroupState
from paramstore.verify.twin.newest import Found, RingReader
from paramstore.verify.twin.wire import BusFailure, Steps, Wire

__all__ = ["take_over"]


def take_over(plan: Plan, wire: Wire, mounted: Iterable[GroupState],
              readers: Mapping[int, RingReader], retired: Mapping[int, Found]) -> Steps[None]:
    """Take over the fields that the newest records do not hold yet. Raises BusFailure.

    `readers` are those of retired groups by id, `retired` what they found.
    """
    groups = {group.ring.group.id: group for group in mounted}
    done: set[tuple[int, str | None]] = set()
    for move in plan.moves:
        group = groups[move.target]
        if (move.target, move.field) in done or group.revision >= move.since:
            continue
        source: GroupState | Found
        if move.source in groups:
            home, source = groups[move.source].ring, groups[move.source]
        else:
            home, source = readers[move.source].ring, retired[move.source]
        if not move.source_since <= source.revision < move.source_until:
            continue
        first = home.address(slot_of(source.sequence, home.slots)) + HEADER_BYTES
        try:
            fits = yield from _move(wire, group, move, first + move.offset)
        except BusFailure:
            group.values.reset_parameter(move.field)
            raise
        done.add((move.target, move.field))
        group.health = group.health & ~Health.DEFAULTS | Health.MIGRATED | Health.DIRTY
        if not fits:
            group.values.reset_parameter(move.field)
            group.health |= Health.LIMIT
            done.add((move.target, group.values.partner(move.field)))  # half a curve is none


def _move(wire: Wire, group: GroupState, move: Move, address: int) -> Steps[bool]:
    """Convert the elements of a field one by one; False at one that has no value."""
    field = group.values.fields[move.field].field
    size = move.conversion.source.size
    for index in range(move.count):
        stored = b""
        for _ in range(size):
            stored += yield from wire.read_twice(address)
            address += 1
        raw = move.conversion.source.unpack(stored)
        new = convert(move.conversion, raw)
        if new is None:
            return False
        bits = stored if move.conversion.rule is None else element_bytes(field.scalar, new)
        group.values.put(move.field, index, bits)
    return True
