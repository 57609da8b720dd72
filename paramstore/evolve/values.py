"""What firmware of a release makes of the records on a part, of whatever release they are.

The newest record of each ring goes in, values come out, and for each parameter where its value is
from. `mended` then does what mount does with values outside their limits.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from paramstore.codec import Record, decode_body
from paramstore.layout.plan import Plan, Ring
from paramstore.scalars import Raw
from paramstore.schema.model import Field, Group

if TYPE_CHECKING:
    from paramstore.layout.moves import Move

__all__ = ["GroupValues", "Origin", "Values", "group_values", "mended"]

Values = dict[str, tuple[Raw, ...]]
"""The raws of a group's fields by field name."""


class Origin(StrEnum):
    """Where the value of a parameter is from."""

    RECORD = "record"  # as the newest record holds it
    CONVERTED = "converted"  # from where an earlier release kept it
    UNFIT = "unfit"  # the default: what an earlier release kept cannot be converted
    DEFAULT = "default"  # nothing is stored for it


class GroupValues(NamedTuple):
    """Values of a group as they come from the part, limits not checked; origins by parameter."""

    values: Values
    origins: dict[str, Origin]


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
    origins = {p.name: Origin.RECORD if p.fields[0].name in held else Origin.DEFAULT
               for p in ring.group.parameters}
    for parameter in ring.group.parameters:
        if not earlier:
            continue
        applied = {f.name: _applied(plan, ring, f, revision, newest) for f in parameter.fields}
        found = {name: raws for name, raws in applied.items() if raws is not None}
        if found:
            unfit = any(None in raws for raws in found.values())
            origins[parameter.name] = Origin.UNFIT if unfit else Origin.CONVERTED
            if not unfit:
                values |= {n: tuple(r for r in raws if r is not None) for n, raws in found.items()}
    return GroupValues(values, origins)


def _applied(plan: Plan, ring: Ring, field: Field, revision: int,
             newest: Mapping[int, Record]) -> tuple[Raw | None, ...] | None:
    """Return the converted elements of a field; None if no earlier place of it counts."""
    for move in plan.moves:
        source = newest.get(move.source)
        if (move.target == ring.group.id and move.field == field.name and revision < move.since
                and source and move.source_since <= source.revision < move.source_until):
            return _moved(move, field, source.body)
    return None


def _moved(move: Move, field: Field, body: bytes) -> tuple[Raw | None, ...]:
    from paramstore.layout.moves import convert  # only on units of an earlier release

    scalar = move.conversion.source
    places = range(move.offset, move.offset + move.count * scalar.size, scalar.size)
    elements = tuple(convert(move.conversion, scalar.unpack(body[at:at + scalar.size]))
                     for at in places)
    return elements + field.default[move.count:]


def mended(group: Group, values: Values) -> tuple[Values, tuple[str, ...]]:
    """Return the values that firmware goes on with, and the parameters that got their defaults.

    A parameter outside its limits does; and where a rule between parameters is broken then, every
    parameter of the group that has a rule.
    """
    result = dict(values)
    reset: dict[str, None] = {}

    def give_default(names: Iterable[str]) -> None:
        for name in names:
            reset[name] = None
            result.update({f.name: f.default for f in group.parameter(name).fields})

    give_default(p.name for p in group.parameters
                 if not all(f.limits.allow(raw) for f in p.fields for raw in result[f.name]))
    ruled = {n for p in group.parameters for n in (
        (p.name, p.below) if p.below else (p.name,) if any(f.rising for f in p.fields) else ())
        if n}
    if any(_breaks_rule(group, name, result) for name in ruled):
        give_default(p.name for p in group.parameters if p.name in ruled)
    return result, tuple(reset)


def _breaks_rule(group: Group, name: str, values: Values) -> bool:
    parameter = group.parameter(name)
    pairs = [pair for f in parameter.fields if f.rising
             for pair in zip(values[f.name], values[f.name][1:], strict=False)]
    if parameter.below:
        low, high = parameter.fields[0], group.parameter(parameter.below).fields[0]
        pairs += zip(values[low.name], values[high.name], strict=True)
    return not all(a < b for a, b in pairs)
