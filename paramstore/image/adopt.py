"""Values of a fixed layout taken into a store, and what became of each.

Values go as physical ones, so that nothing here knows how either side stores them. A bad element
of an array costs only itself; a curve is taken as a whole or not at all.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal, localcontext
from typing import NamedTuple

from paramstore.core.scalars import Raw
from paramstore.core.words import show_number
from paramstore.image.migrate import (
    MigratedValue,
    Migration,
    ValueOutcome,
    breach_reason,
    replaced,
    shown,
)
from paramstore.image.pack import pack
from paramstore.image.ways import NUMBERS, FieldMapping, ways_into
from paramstore.image.wording import elements_text
from paramstore.layout.plan import Plan
from paramstore.schema.bits import Elements, NoValue
from paramstore.schema.breaches import BreachKind, own_breaches, served
from paramstore.schema.fixed.found import Copy, FixedContents, FixedGroupContents, GroupPresence
from paramstore.schema.fixed.model import PlacedParameter
from paramstore.schema.from_raw import Physical, element_name, from_raw, show_raw
from paramstore.schema.model import Field, Group, Kind, Parameter
from paramstore.schema.numbers import nearest_raw
from paramstore.schema.to_raw import ValueProblem, check_limits, physical_to_raw

__all__ = ["adopt"]

_WORST = (ValueOutcome.DAMAGED, ValueOutcome.UNREAD, ValueOutcome.UNFIT, ValueOutcome.ROUNDED,
          ValueOutcome.CONVERTED, ValueOutcome.KEPT)
_WHOLE = (Kind.TEXT, Kind.BYTES)


class _Element(NamedTuple):
    """One element on its way: what it is here in words, what became of it, and the raws that the
    store gets for it, none if that is the default. A outcome of None: nothing is stored for it."""

    before: str
    outcome: ValueOutcome | None
    raws: tuple[Raw, ...] = ()
    reason: str = ""


class _Taken(NamedTuple):
    """The elements of a field of a store, and the value here in words."""

    before: str
    elements: tuple[_Element, ...]


def adopt(contents: FixedContents, target: Plan) -> Migration:
    """Return an image of the store `target` with the values of a dump, and what became of each.

    A value that a wrong checksum covers is not taken, nor one that the store does not allow: the
    default takes its place. FindingsError as `ways_into`.
    """
    ways = ways_into(contents.layout, target.schema)
    values = {g.name: {f.name: f.default for f in g.fields} for g in target.schema.groups}
    items: dict[tuple[str, str], MigratedValue] = {}
    for group in target.schema.groups:
        for parameter in group.parameters:
            taken = _given(contents, group, parameter, ways)
            if taken:
                item, raws = _joined(parameter, taken)
                items[group.name, parameter.name] = item
                values[group.name] |= raws
    for group in target.schema.groups:
        becomes = served(group, values[group.name])
        changed = replaced(group, values[group.name], becomes)
        values[group.name] = becomes.values
        for name in changed:
            item = items[group.name, name]
            if not item.outcome.harmed:
                reason = breach_reason(becomes.reset_of(group.parameter(name)), group)
                items[group.name, name] = replace(item, outcome=ValueOutcome.UNFIT, reason=reason)
    every = [_finished(group, p, items.get((group.name, p.name)), values[group.name])
             for group in target.schema.groups for p in group.parameters]
    # A group of which nothing came over but defaults is one without values for `pack`.
    image = pack(target, {
        group.name: values[group.name] for group in target.schema.groups
        if any(_came_over(p, items.get((group.name, p.name)), values[group.name])
               for p in group.parameters)})
    return Migration(image, (*every, *_left(contents, ways)))


def _came_over(parameter: Parameter, item: MigratedValue | None,
               values: dict[str, tuple[Raw, ...]]) -> bool:
    """Return whether a parameter, or an element of it, has a value from the fixed layout."""
    if item is None or item.outcome is ValueOutcome.DEFAULTED:
        return False
    return not item.outcome.harmed or any(values[f.name] != f.default for f in parameter.fields)


def _finished(group: Group, parameter: Parameter, item: MigratedValue | None,
              values: dict[str, tuple[Raw, ...]]) -> MigratedValue:
    item = item or MigratedValue("", ValueOutcome.DEFAULTED)
    return replace(item, where=f"{group.name}.{parameter.name}", after=shown(parameter, values))


# ---- One parameter of the store -----------------------------------------------------------------


def _given(contents: FixedContents, group: Group, parameter: Parameter,
           ways: tuple[FieldMapping, ...]) -> dict[str, _Taken]:
    """Return what is given for the fields of a parameter; of alternatives the one that is there."""
    given = {}
    for way in ways:
        if way.group is group and way.parameter is parameter:
            taken = _take(contents, way)
            if any(element.outcome is not None for element in taken.elements):
                given[way.field.name] = taken
    return given


def _joined(parameter: Parameter,
            taken: dict[str, _Taken]) -> tuple[MigratedValue, dict[str, tuple[Raw, ...]]]:
    """Return what became of a parameter, and the raws that its fields get."""
    elements = [e for each in taken.values() for e in each.elements]
    outcomes = [e.outcome for e in elements if e.outcome is not None]
    bad = [e for e in elements if e.outcome is not None and e.outcome.harmed]
    outcome = min(outcomes, key=_WORST.index)
    raws = {name: _filled(parameter, name, each) for name, each in taken.items()}
    reason = "; ".join(dict.fromkeys(e.reason for e in bad[:3])) + "; ..." * (len(bad) > 3)
    before = ", ".join(filter(None, (each.before for each in taken.values())))
    if parameter.kind is Kind.CURVE:
        whole = len(taken) == len(parameter.fields) and all(e.raws for e in elements)
        problem = "" if bad or not whole else _broken(parameter, raws)
        if bad or problem or not whole:
            return MigratedValue("", outcome if bad else ValueOutcome.UNFIT, before,
                        reason=reason or problem or "it has not all of its points"), {}
    elif bad and len(bad) < len(elements):
        reason += "; the other elements are taken"
    return MigratedValue("", outcome, before, reason=reason), raws


def _filled(parameter: Parameter, name: str, taken: _Taken) -> tuple[Raw, ...]:
    """Return the raws of a field, the default where there is none."""
    default = next(f.default for f in parameter.fields if f.name == name)
    if parameter.kind in _WHOLE:
        (whole,) = taken.elements
        return whole.raws or default
    return tuple(next(iter(e.raws), raw)
                 for e, raw in zip(taken.elements, default, strict=True))


def _broken(parameter: Parameter, raws: dict[str, tuple[Raw, ...]]) -> str:
    """Return which rule of a curve its points break; "" if they keep all."""
    try:
        for field in parameter.fields:
            check_limits(field, raws[field.name])
    except ValueProblem as problem:
        return problem.message
    return ""


# ---- What the layout has ------------------------------------------------------------------------


def _take(contents: FixedContents, way: FieldMapping) -> _Taken:
    """Return what the blocks of a way give."""
    blocks = [contents.group(block.name) for block in way.blocks]
    if way.copied:
        used = [block for block in blocks if block.copy is Copy.USED]
        unread = any(block.copy is Copy.UNREAD for block in blocks)
        if not used or unread:
            reason = "a copy that may be newer is not all in the dump" if unread else (
                "no copy is right" if Copy.DOUBTFUL not in [b.copy for b in blocks]
                else "nothing tells which copy is the newest")
            return _lost(way, ValueOutcome.UNREAD if unread else ValueOutcome.DAMAGED, reason)
        blocks = used
    parts = [_of_block(contents, way, block, index) for index, block in enumerate(blocks)]
    if len(parts) == 1:
        return parts[0]
    unit = f" {way.item.field.unit}" if way.item.field.unit else ""
    words = ", ".join((e.before or "none").removesuffix(unit) for p in parts for e in p.elements)
    return _Taken(f"[{words}]{unit}", tuple(e for part in parts for e in part.elements))


def _of_block(contents: FixedContents, way: FieldMapping, found: FixedGroupContents,
              index: int) -> _Taken:
    """Return what one block gives; `index` is the element of the store that it begins with."""
    name = way.item.name
    elements = found.elements(name)
    if elements is None:
        if spoilt := contents.wrong_over(found.group):
            return _lost(way, ValueOutcome.UNFIT, f"the checksum `{spoilt}` is wrong", len(
                found.group.item(name).places) if not way.spread else 1)
        lacking = found.presence is not GroupPresence.ABSENT and name not in found.unset
        return _lost(way, ValueOutcome.UNREAD if lacking else None,
                     "its bytes are not in the dump" if lacking else "", len(found.group.item(
                         name).places) if not way.spread else 1)
    item = found.group.item(name)  # with the scale that this dump holds
    before = elements_text(item.field, elements)
    if spoilt := contents.wrong_over(found.group, item):
        return _lost(way, ValueOutcome.UNFIT, f"the checksum `{spoilt}` is wrong", before=before)
    if item.field.kind in _WHOLE:
        return _Taken(before, (_text(way, item, elements, before),))
    return _Taken(before, tuple(
        _element(way, item, raw, (index + i,) if len(elements) > 1 or way.spread else ())
        for i, raw in enumerate(elements)))


def _lost(way: FieldMapping, outcome: ValueOutcome | None, reason: str, count: int = 0,
          before: str = "") -> _Taken:
    """Return elements of which none can be taken."""
    if way.item.field.kind in _WHOLE:
        count = 1
    element = _Element(before, outcome, reason=reason)
    return _Taken(before, (element,) * (count or (1 if way.spread and before else way.field.count)))


def _text(way: FieldMapping, item: PlacedParameter, elements: Elements, before: str) -> _Element:
    raws = tuple(raw for raw in elements if not isinstance(raw, NoValue))
    if any(b.kind is BreachKind.TEXT for b in own_breaches(item.parameter, item.field, raws)):
        return _Element(before, ValueOutcome.UNFIT, reason="it is no UTF-8 text")
    try:
        return _Element(before, ValueOutcome.KEPT,
                        physical_to_raw(way.field, from_raw(item.field, raws)).raws)
    except ValueProblem as problem:
        return _Element(before, ValueOutcome.UNFIT, reason=problem.message)


def _element(way: FieldMapping, item: PlacedParameter, raw: Raw | NoValue,
             path: tuple[int, ...]) -> _Element:
    """Return what becomes of one number, name or date."""
    if isinstance(raw, NoValue):
        name = element_name(way.field, path)
        return _Element(raw.text, ValueOutcome.UNFIT,
                        reason=f"`{name}` would be from {raw.text}, which is no {raw.lacks}")
    before = show_raw(item.field, raw)
    one = replace(way.field, name=element_name(way.field, path), count=1, array=False,
                  kind=_kind(way.field), rising=False)
    value = from_raw(replace(item.field, count=1, array=False), (raw,))
    try:
        wanted = _physical(way, item.field.kind, value)
        stored = _in_steps(way, one, wanted)
        conversion = physical_to_raw(one, stored)
        check_limits(one, conversion.raws)
    except ValueProblem as problem:
        return _Element(before, ValueOutcome.UNFIT, reason=problem.message)
    lossy = stored != wanted or bool(conversion.losses)
    outcome = (ValueOutcome.ROUNDED if lossy else ValueOutcome.KEPT if wanted == value
            else ValueOutcome.CONVERTED)
    return _Element(before, outcome, conversion.raws)


def _kind(field: Field) -> Kind:
    """Return what one element of a field is."""
    if field.kind is not Kind.CURVE:
        return field.kind
    return Kind.FLOAT if isinstance(field.scalar.minimum, float) else Kind.INTEGER


def _in_steps(way: FieldMapping, field: Field, value: Physical) -> Physical:
    """Return a number that was converted as a whole one if the store takes no others."""
    if field.kind is not Kind.INTEGER or field.scaled or not way.item.target.scaled or (
            not isinstance(value, Decimal)):
        return value
    raw = nearest_raw(field.scalar, value, field.scale, field.offset)
    return value if raw is None else raw


def _physical(way: FieldMapping, kind: Kind, value: Physical) -> Physical:
    """Return the physical value that the store is to have."""
    names = dict(way.item.target.members)
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
    if kind not in NUMBERS or not target.scaled:
        return value
    number = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
    if not number.is_finite():
        raise ValueProblem("finite", f"{show_number(number)} is no number")
    with localcontext(prec=400):
        return number * target.factor + target.offset


# ---- What the store does not take ---------------------------------------------------------------


def _left(contents: FixedContents, ways: tuple[FieldMapping, ...]) -> Iterator[MigratedValue]:
    """Yield the values that the store does not take; of copies those of the one that counts."""
    taken = {(block.name, way.item.name) for way in ways for block in way.blocks}
    for found in contents.groups:
        if found.presence is GroupPresence.THERE and found.copy in (None, Copy.USED):
            for item in found.group.items:
                kept = (found.group.name, item.name) in taken
                if not kept and item.name != found.group.copy_number and item.always is None:
                    yield from _lost_item(found, item)


def _lost_item(found: FixedGroupContents, item: PlacedParameter) -> Iterator[MigratedValue]:
    elements = found.elements(item.name)
    if elements is not None:
        yield MigratedValue(f"{found.group.name}.{item.name}",
                   ValueOutcome.LEFT if item.target.nowhere else ValueOutcome.LOST,
                   elements_text(item.field, elements))
