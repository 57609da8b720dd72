"""Values from where earlier releases kept them (FORMAT.md, 9): read, converted, flagged.

Knows migrations and how to read bytes. Knows no label and no commit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from paramstore.core.format import HEADER_BYTES, slot_of
from paramstore.core.status import Health
from paramstore.layout.plan import Plan
from paramstore.layout.raw_conversion import FieldMigration, convert_raw
from paramstore.record import element_bytes
from paramstore.verify.twin.group import GroupState
from paramstore.verify.twin.newest import Found, RingReader
from paramstore.verify.twin.wire import BusFailure, Steps, Wire

__all__ = ["migrate"]


def migrate(plan: Plan, wire: Wire, mounted: Iterable[GroupState],
              readers: Mapping[int, RingReader], retired: Mapping[int, Found]) -> Steps[None]:
    """Migrate the fields that the newest records do not hold yet. Raises BusFailure.

    `readers` are those of retired groups by id, `retired` what they found.
    """
    groups = {group.ring.group.id: group for group in mounted}
    done: set[tuple[int, str | None]] = set()
    for row in plan.migrations:
        group = groups[row.group]
        if (row.group, row.field) in done or group.revision >= row.since:
            continue
        source: GroupState | Found
        if row.source in groups:
            home, source = groups[row.source].ring, groups[row.source]
        else:
            home, source = readers[row.source].ring, retired[row.source]
        if not row.source_since <= source.revision < row.source_until:
            continue
        first = home.address(slot_of(source.sequence, home.slots)) + HEADER_BYTES
        try:
            fits = yield from _convert(wire, group, row, first + row.offset)
        except BusFailure:
            group.values.reset_parameter(row.field)
            raise
        done.add((row.group, row.field))
        group.health = group.health & ~Health.DEFAULTS | Health.MIGRATED | Health.DIRTY
        if not fits:
            group.values.reset_parameter(row.field)
            group.health |= Health.LIMIT
            done.add((row.group, group.values.partner(row.field)))  # half a curve is none


def _convert(wire: Wire, group: GroupState, row: FieldMigration, address: int) -> Steps[bool]:
    """Convert the elements of a field one by one; False at one that has no value."""
    field = group.values.fields[row.field].field
    size = row.conversion.from_scalar.size
    for index in range(row.count):
        stored = b""
        for _ in range(size):
            stored += yield from wire.read_twice(address)
            address += 1
        raw = row.conversion.from_scalar.unpack(stored)
        new = convert_raw(row.conversion, raw)
        if new is None:
            return False
        bits = stored if row.conversion.rule is None else element_bytes(field.scalar, new)
        group.values.put(row.field, index, bits)
    return True
