"""Values of a fixed layout taken into a store: which parameter takes which, and what became of it.

Values go as physical ones, so that nothing here knows how either side stores them. What both sides
say of units is checked before any value is looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal, localcontext
from typing import Any

from paramstore.errors import Finding, FindingsError
from paramstore.fixed.contents import FixedContents, FixedGroupContents, Presence
from paramstore.fixed.model import FixedGroup, FixedLayout
from paramstore.fixed.model import Item as FixedItem
from paramstore.image.migrate import BROKEN_RULE, Fate, Item, Migration, shown
from paramstore.image.pack import pack
from paramstore.layout.plan import Plan
from paramstore.scalars import Raw
from paramstore.schema.breaches import BreachKind, own_breaches, served
from paramstore.schema.model import Group, Kind, Parameter, Schema
from paramstore.schema.numbers import nearest_raw
from paramstore.schema.quantity import ValueProblem, format_value, from_raw, parameter_to_raw
from paramstore.schema.words import code_list, did_you_mean, show_number

__all__ = ["Way", "adopt", "ways_into"]

_NUMBERS = (Kind.INTEGER, Kind.FLOAT)


@dataclass(frozen=True, slots=True)
class Way:
    """A parameter of a fixed layout and the one of the store that takes its value."""

    source: FixedGroup
    item: FixedItem
    group: Group
    parameter: Parameter


def ways_into(layout: FixedLayout, schema: Schema) -> tuple[Way, ...]:
    """Return which values go where; what no parameter of the store takes is left out.

    FindingsError (PS640 to PS642) where `to` names no parameter, or kinds or units do not agree.
    """
    ways, findings = [], []
    for source in layout.groups:
        for item in source.items:
            found = _target(layout, schema, source, item)
            if isinstance(found, Finding):
                findings.append(found)
            elif found is not None:
                way = Way(source, item, *found)
                mistake = _mistake(layout, way)
                findings += [mistake] if mistake else []
                ways.append(way)
    if findings:
        raise FindingsError(findings)
    return tuple(ways)


def _target(layout: FixedLayout, schema: Schema, source: FixedGroup,
            item: FixedItem) -> tuple[Group, Parameter] | Finding | None:
    target = item.target
    if target.nowhere or item.always is not None:
        return None
    name = target.group or source.name, target.parameter or item.name
    groups = {g.name: g for g in schema.groups}
    group = groups.get(name[0])
    parameters = {p.name: p for p in group.parameters} if group else {}
    if group and name[1] in parameters:
        return group, parameters[name[1]]
    if target.group is None:
        return None  # nobody said that it has one
    known = [f"{g.name}.{p.name}" for g in schema.groups for p in g.parameters]
    wanted = ".".join(name)
    return Finding("PS640", f"`{schema.name}` has no parameter `{wanted}`", layout.source,
                   target.span, help=did_you_mean(wanted, known) or "name one that it has")


def _mistake(layout: FixedLayout, way: Way) -> Finding | None:
    """Return why values cannot go this way, whatever they are."""
    here, there = way.item.field, way.parameter.fields[0]
    span = way.item.target.span or way.item.parameter.span
    names = f"`{way.source.name}.{way.item.name}`", f"`{way.group.name}.{way.parameter.name}`"
    numbers = here.kind in _NUMBERS and there.kind in _NUMBERS
    if not numbers and here.kind is not way.parameter.kind:
        return Finding(
            "PS641", f"{names[0]} is of the kind {here.kind}, {names[1]} of {way.parameter.kind}",
            layout.source, span, help="name another parameter with `to`")
    if here.array != there.array or (here.array and here.count != there.count):
        return Finding("PS641", f"{names[0]} and {names[1]} have different numbers of elements",
                       layout.source, span, help="name another parameter with `to`")
    if numbers and here.unit != there.unit and not way.item.target.scaled:
        units = [f"in `{f.unit}`" if f.unit else "without a unit" for f in (here, there)]
        return Finding(
            "PS642", f"{names[0]} is {units[0]}, {names[1]} {units[1]}", layout.source, span,
            notes=("a value means something else in another unit",),
            help="say how it converts, as in `to = { factor = 0.001 }`; `factor = 1` if it is only "
            "another word for the same unit")
    unknown = [there_name for _, there_name in way.item.target.members
               if there_name not in dict(there.members)]
    if unknown:
        return Finding("PS640", f"{names[1]} has no member `{unknown[0]}`", layout.source, span,
                       help=did_you_mean(unknown[0], [n for n, _ in there.members])
                       or f"its members are {code_list(n for n, _ in there.members)}")
    return None


# ---- Values -------------------------------------------------------------------------------------


def adopt(contents: FixedContents, target: Plan) -> Migration:
    """Return an image of the store `target` with the values of a dump, and what became of each.

    A value that a wrong checksum covers is not taken, nor one that the store does not allow: the
    default takes its place. FindingsError as `ways_into`.
    """
    ways = ways_into(contents.layout, target.schema)
    values = {g.name: {f.name: f.default for f in g.fields} for g in target.schema.groups}
    items: dict[tuple[str, str], Item] = {}
    for way in ways:
        found = contents.group(way.source.name)
        key = way.group.name, way.parameter.name
        raws = found.values.get(way.item.name)
        if raws is None:
            lacking = way.item.name not in found.unset and found.presence is not Presence.ABSENT
            if lacking:
                items[key] = Item("", Fate.UNREAD, reason="its bytes are not in the dump")
            continue
        item, taken = _taken(contents, way, raws)
        items[key] = item
        values[way.group.name] |= taken
    for group in target.schema.groups:
        becomes = served(group, values[group.name])
        values[group.name] = becomes.values
        for name in becomes.defaulted:
            item = items.get((group.name, name), Item("", Fate.DEFAULTED))
            if not item.fate.harmed and item.fate is not Fate.DEFAULTED:
                items[group.name, name] = replace(
                    item, fate=Fate.UNFIT, reason=BROKEN_RULE)
    every = [_finished(group, p, items.get((group.name, p.name)), values[group.name])
             for group in target.schema.groups for p in group.parameters]
    return Migration(pack(target, values), (*every, *_left(contents, ways)))


def _finished(group: Group, parameter: Parameter, item: Item | None,
              values: dict[str, tuple[Raw, ...]]) -> Item:
    item = item or Item("", Fate.DEFAULTED)
    return replace(item, where=f"{group.name}.{parameter.name}", after=shown(parameter, values))


def _taken(contents: FixedContents, way: Way,
           raws: tuple[Raw, ...]) -> tuple[Item, dict[str, tuple[Raw, ...]]]:
    """Return what becomes of a value, and the raws that the store gets for it."""
    before = format_value(way.item.field, raws)
    if spoilt := contents.wrong_over(way.item):
        return Item("", Fate.UNFIT, before, reason=f"the checksum `{spoilt}` is wrong"), {}
    if any(b.kind is BreachKind.TEXT for b in own_breaches(
            way.item.parameter, way.item.field, raws)):
        return Item("", Fate.UNFIT, before, reason="it is no UTF-8 text"), {}
    value = from_raw(way.item.field, raws)
    try:
        wanted = _each(way, value)
        stored = _in_steps(way, wanted)
        conversions = parameter_to_raw(way.parameter, stored)
    except ValueProblem as problem:
        return Item("", Fate.UNFIT, before, reason=problem.message), {}
    lossy = stored != wanted or any(c.losses for c in conversions.values())
    fate = Fate.ROUNDED if lossy else Fate.KEPT if wanted == value else Fate.CONVERTED
    return Item("", fate, before), {name: c.raws for name, c in conversions.items()}


def _in_steps(way: Way, value: Any) -> Any:
    """Return a number that was converted as a whole one if the store takes no others."""
    if isinstance(value, list):
        return [_in_steps(way, v) for v in value]
    field = way.parameter.fields[0]
    if field.kind is not Kind.INTEGER or field.scaled or not way.item.target.scaled or (
            not isinstance(value, Decimal)):
        return value
    raw = nearest_raw(field.scalar, value, field.scale, field.offset)
    return value if raw is None else raw


def _each(way: Way, value: Any) -> Any:
    """Return the physical value that the store is to have."""
    kind, names = way.item.field.kind, dict(way.item.target.members)
    if isinstance(value, list) and not (kind is Kind.FLAGS and not way.item.field.array):
        return [_each_element(way, kind, names, v) for v in value]
    return _each_element(way, kind, names, value)


def _each_element(way: Way, kind: Kind, names: dict[str, str], value: Any) -> Any:
    if kind is Kind.ENUM and isinstance(value, int):
        raise ValueProblem("member", f"number {value} is the name of no member")
    if kind is Kind.FLAGS:
        unnamed = [bit for bit in value if isinstance(bit, int)]
        if unnamed:
            raise ValueProblem("member", f"bit {unnamed[0]} is the name of no flag")
        return [names.get(name, name) for name in value]
    if kind is Kind.ENUM:
        return names.get(value, value)
    target = way.item.target
    if kind not in _NUMBERS or not target.scaled:
        return value
    number = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
    if not number.is_finite():
        raise ValueProblem("finite", f"{show_number(number)} is no number")
    with localcontext(prec=400):
        return number * target.factor + target.offset


def _left(contents: FixedContents, ways: tuple[Way, ...]) -> Iterator[Item]:
    """Yield the values that the store does not take."""
    taken = {(w.source.name, w.item.name) for w in ways}
    for found in contents.groups:
        if found.presence is Presence.THERE:
            for item in found.group.items:
                if (found.group.name, item.name) not in taken and item.always is None:
                    yield from _lost(found, item)


def _lost(found: FixedGroupContents, item: FixedItem) -> Iterator[Item]:
    raws = found.values.get(item.name)
    if raws is not None:
        yield Item(f"{found.group.name}.{item.name}",
                   Fate.LEFT if item.target.nowhere else Fate.LOST,
                   format_value(item.field, raws))
