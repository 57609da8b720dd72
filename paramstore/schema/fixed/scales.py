"""Scales that an image holds: a parameter whose step, or its power, is the value of another one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Context, Decimal, localcontext

from paramstore.core.scalars import HALF, Raw
from paramstore.schema.bits import Elements, NoValue, place_width
from paramstore.schema.fixed.found import FixedGroupContents
from paramstore.schema.fixed.model import FixedGroup, PlacedParameter, ScaleFrom
from paramstore.schema.from_raw import physical_number
from paramstore.schema.model import Field

__all__ = ["scale_source", "scaled"]

_LEAST, _MOST = Decimal("1e-30"), Decimal("1e30")
_EXACT = Context(prec=80, traps=[])
"""A product of a 64-bit number and two scales has no more digits; a power that is too large is
infinite, and no number is within limits."""


def scale_source(groups: Mapping[str, FixedGroup], group: FixedGroup,
                 source: ScaleFrom) -> tuple[FixedGroup, PlacedParameter] | None:
    """Return the block and the item that a scale is from; None if there is none."""
    owner = group if source.group in (None, group.declared) else groups.get(source.group or "")
    item = next((i for i in owner.items if i.name == source.parameter), None) if owner else None
    return (owner, item) if owner and item else None


def scaled(found: Sequence[FixedGroupContents]) -> tuple[FixedGroupContents, ...]:
    """Return what groups hold with whole scales: `group` of each has the fields that count in this
    image. Values without a scale are none."""
    by_name = {each.group.name: each for each in found}
    return tuple(_scaled(each, by_name) if any(i.scale_from for i in each.group.items) else each
                 for each in found)


def _scaled(found: FixedGroupContents,
            by_name: Mapping[str, FixedGroupContents]) -> FixedGroupContents:
    items, values, faulty = [], dict(found.values), dict(found.faulty)
    groups = {name: each.group for name, each in by_name.items()}
    for item in found.group.items:
        wanted = item.scale_from
        if wanted is not None:
            source = scale_source(groups, found.group, wanted)
            assert source is not None, "the reader of the layout found it"
            owner, holder = source
            item = replace(item, scale_place=holder.places[0])
            factor = _factor(holder.field, by_name[owner.name].values.get(holder.name), wanted)
            if factor is not None:
                with localcontext(_EXACT):
                    field = replace(item.field, scale=item.field.scale * factor)
                item = _with_field(item, field)
            elif raws := values.pop(item.name, None):
                faulty[item.name] = _without(item, raws)
        items.append(item)
    return replace(found, group=replace(found.group, items=tuple(items)), values=values,
                   faulty=faulty)


def _with_field(item: PlacedParameter, field: Field) -> PlacedParameter:
    return replace(item, parameter=replace(item.parameter, fields=(field,)))


def _without(item: PlacedParameter, raws: tuple[Raw, ...]) -> Elements:
    """Return elements that have no scale as no values."""
    width = place_width(item.places[0])
    return tuple(NoValue(int(raw) & (1 << width) - 1, width, "value without its scale")
                 for raw in raws)


def _factor(field: Field, raws: tuple[Raw, ...] | None, source: ScaleFrom) -> Decimal | None:
    """Return what a scale is multiplied by, from the raws of its source; None if the image has
    none, or nothing of use."""
    if raws is None:
        return None
    # The few digits of an f16 would be a step of up to 0.02 % more or less.
    value = Decimal(raws[0]) if field.scalar is HALF else physical_number(field, raws[0])
    with localcontext(_EXACT):
        factor = value if source.base is None else Decimal(source.base) ** value
        return factor if _LEAST <= abs(factor) <= _MOST else None
