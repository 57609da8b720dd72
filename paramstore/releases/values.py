"""What firmware of a release makes of the records on a part, of whatever release they are.

The newest record of each ring goes in, values come out, and for each parameter where its value is
from. What mount then does with values that cannot be says `schema.breaches.served`.

Where two people froze a release of the same number apart from each other, a store has two branches:
from there on the bytes of one mean nothing to the other (`parting`).
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from paramstore.core.format import LINEAGE_BYTES
from paramstore.core.scalars import GroupRaws, Raw
from paramstore.layout.plan import Plan, Ring
from paramstore.record import Label, Record, decode_body
from paramstore.schema.breaches import filled_text
from paramstore.schema.model import Field, Kind

if TYPE_CHECKING:
    from paramstore.layout.raw_conversion import FieldMigration

__all__ = ["GroupValues", "Parting", "ValueOrigin", "group_values", "parting"]


class ValueOrigin(StrEnum):
    """Where the value of a parameter is from."""

    RECORD = "record"  # as the newest record holds it
    CONVERTED = "converted"  # from where an earlier release kept it
    UNFIT = "unfit"  # the default: what an earlier release kept cannot be converted
    DEFAULT = "default"  # nothing is stored for it


class GroupValues(NamedTuple):
    """Values of a group as they come from the part, limits not checked, texts without what stands
    behind their first 00; origins by parameter."""

    values: GroupRaws
    origins: dict[str, ValueOrigin]


def group_values(plan: Plan, ring: Ring, newest: Mapping[int, Record],
                 earlier: bool) -> GroupValues:
    """Return what `ring` holds for firmware of `plan`.

    `newest` has the newest valid record by group id, retired groups included, as far as there is
    one. Only if the part is of an `earlier` release, or does not say of which one, values are taken
    over from where that kept them.
    """
    record = newest.get(ring.group.id)
    revision = record.revision if record else 0
    defaults = {f.name: f.default for f in ring.group.fields}
    values = decode_body(ring, record.body, revision) if record else defaults
    held = {p.field.name for p in ring.fields if p.since <= revision}
    origins = {p.name: ValueOrigin.RECORD if p.first.name in held else ValueOrigin.DEFAULT
               for p in ring.group.parameters}
    for parameter in ring.group.parameters:
        if not earlier:
            continue
        applied = {f.name: _applied(plan, ring, f, revision, newest) for f in parameter.fields}
        found = {name: raws for name, raws in applied.items() if raws is not None}
        if found:
            unfit = any(None in raws for raws in found.values())
            origins[parameter.name] = ValueOrigin.UNFIT if unfit else ValueOrigin.CONVERTED
            if not unfit:
                values |= {n: tuple(r for r in raws if r is not None) for n, raws in found.items()}
    values |= {f.name: filled_text(values[f.name]) for f in ring.group.fields
               if f.kind is Kind.TEXT}
    return GroupValues(values, origins)


def _applied(plan: Plan, ring: Ring, field: Field, revision: int,
             newest: Mapping[int, Record]) -> tuple[Raw | None, ...] | None:
    """Return the converted elements of a field; None if no earlier place of it counts."""
    for row in plan.migrations:
        source = newest.get(row.source)
        if (row.group == ring.group.id and row.field == field.name and revision < row.since
                and source and row.source_since <= source.revision < row.source_until):
            return _migrated(row, field, source.body)
    return None


def _migrated(row: FieldMigration, field: Field, body: bytes) -> tuple[Raw | None, ...]:
    from paramstore.layout.raw_conversion import convert_raw  # only on units of an earlier release

    scalar = row.conversion.from_scalar
    places = range(row.offset, row.offset + row.count * scalar.size, scalar.size)
    elements = tuple(convert_raw(row.conversion, scalar.unpack(body[at:at + scalar.size]))
                     for at in places)
    return elements + field.default[row.count:]


class Parting(NamedTuple):
    """`shared` is the last release before it that both have, 0 if the label tells of none; `apart`
    the first one that is another in each."""

    shared: int
    apart: int


def parting(label: Label, plan: Plan) -> Parting | None:
    """Return where the releases that led to a label and those of a plan part; None if, as far as
    the label tells, they do not. Both are of the same store and series."""
    line = (*plan.lineage, *[(plan.release, plan.layout_id)] * (plan.release > 0))
    shared = 0
    for release, layout_id in line:
        gap = label.release - release
        if not 0 <= gap <= LINEAGE_BYTES:
            continue  # the label does not say
        if label.follows(release, layout_id) if gap else label.layout_id == layout_id:
            shared = release
        else:
            return Parting(shared, release)
    return None
