"""What changed between two releases, in plain words, and what it means for units in the field.

`changes` compares an old plan with a new schema, given who is who. What cannot be changed is in
`refusals`. Places nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal, Inexact, localcontext
from fractions import Fraction
from itertools import pairwise

from paramstore.core.scalars import Raw, ScalarForm
from paramstore.core.words import code_list, plural, show_number
from paramstore.layout.demand import slots_for_life
from paramstore.layout.plan import Plan
from paramstore.layout.raw_conversion import Arithmetic, Conversion, convert_raw, rounded
from paramstore.releases.change import (
    Change,
    Impact,
    ValueRoute,
    images,
    line_may_round,
    ranges_of,
    way_along,
)
from paramstore.releases.conversion import NoConversion, same_bytes, via_along
from paramstore.releases.links import Links
from paramstore.releases.refusals import built_otherwise
from paramstore.releases.rule_changes import rule_changes
from paramstore.schema.from_raw import boundless, format_value, physical_number, show_range
from paramstore.schema.model import Field, Group, Kind, Parameter, Schema

__all__ = ["Change", "Impact", "changes"]


def changes(old: Plan, new: Schema, links: Links) -> Iterator[Change]:
    """Yield every change: of the store, then group by group, then what is gone.

    Those that cannot be made may be worded here as if they could.
    """
    if old.series == new.series:
        yield from _changes(old, new, links)
        return
    yield Change("PS769", Impact.RELAYOUT, "", f"series {new.series}: every ring is laid out "
                 "anew; `paramstore migrate --relayout` converts units of before on the host")
    for change in _changes(old, new, links):
        change = replace(change, in_place="")
        if change.code == "PS754":
            change = replace(change, impact=Impact.MIGRATES,
                             text=f"{change.text}; its values do not come over")
        elif change.code == "PS768":  # a new ring is as long as it has to be
            change = replace(change, impact=Impact.SAFE)
        yield change


def _changes(old: Plan, new: Schema, links: Links) -> Iterator[Change]:
    short = {g.name for g in new.groups if g.name in links.groups
             and links.groups[g.name].slots < slots_for_life(g, new)}
    yield from _store(old.schema, new, bool(short))
    for group in new.groups:
        ring = links.groups.get(group.name)
        if ring is None:
            yield Change("PS751", Impact.SAFE, group.name,
                         "new group; what does not move there begins with its default")
        else:
            yield from _group(ring.group, group, group.name in short)
        rules = tuple(rule_changes(old, links, group))
        for parameter in group.parameters:
            yield from _parameter(old, links, group, parameter)
            yield from (c for c in rules if c.where == f"{group.name}.{parameter.name}")
    yield from _gone(old, new, links)


def _store(old: Schema, new: Schema, short: bool) -> Iterator[Change]:
    part = f"part {old.part.name} -> {new.part.name}"
    other = any(built_otherwise(old.part, new.part))
    if other:  # without a new series it is refused (PS732)
        yield Change("PS769", Impact.RELAYOUT, "", part)
    words = [part] * (old.part.name != new.part.name and not other)
    words += [f"{what} {a} -> {b}" for what, a, b in (
        ("address", hex(old.address), hex(new.address)),
        ("bus", f"{old.bus_khz} kHz", f"{new.bus_khz} kHz"),
        ("supply", f"{old.supply_v:g} V", f"{new.supply_v:g} V"),
        ("temperature", f"{old.temperature_c:g} degC", f"{new.temperature_c:g} degC"),
        ("life", f"{old.life_years:g} years", f"{new.life_years:g} years"),
    ) if a != b]
    if words:
        yield Change("PS768", _use(short), "", "; ".join(words))
    if old.doc != new.doc:
        yield Change("PS761", Impact.SAFE, "", "another description")


def _use(short: bool) -> Impact:
    return Impact.WEARS if short else Impact.SAFE


def _group(old: Group, new: Group, short: bool) -> Iterator[Change]:
    if old.name != new.name:
        yield Change("PS753", Impact.SAFE, new.name, f"was group `{old.name}`",
                     in_place="its ring stays")
    words = [f"{what} {a} -> {b}" for what, a, b in (
        ("role", old.role.value, new.role.value), ("copies", old.copies, new.copies),
        ("writes per day", f"{old.writes_per_day:g}", f"{new.writes_per_day:g}"),
    ) if a != b]
    if words:
        yield Change("PS768", _use(short), new.name, "; ".join(words),
                     in_place="the ring stays")
    if old.doc != new.doc:
        yield Change("PS761", Impact.SAFE, new.name, "another description")


def _parameter(old: Plan, links: Links, group: Group, new: Parameter) -> Iterator[Change]:
    where = f"{group.name}.{new.name}"
    before = links.before(old, group, new)
    if before is None:
        default = ", ".join(format_value(f, f.default) for f in new.fields)
        yield Change("PS750", Impact.SAFE, where,
                     f"new; units in the field get the default {default}")
        return
    old_group, old_name = links.parameters[group.name, new.name]
    between = links.between.get((group.name, new.name), ())
    line = (before, *(parameter for _, parameter in between), new)
    if not _convertible(line):
        return  # the refusal says it: nothing is carried over
    same = all(same_bytes(a, b) for a, b in pairwise(line))
    ring = links.groups.get(group.name)
    if ring is None or ring.group.name != old_group:
        yield Change("PS763", Impact.MIGRATES, where,
                     f"comes from `{old_group}.{old_name}`; values are carried over")
    elif any(home.group.id != ring.group.id for home, _ in between):
        yield Change("PS763", Impact.MIGRATES, where,
                     f"was `{old_name}`, and in another group for a while; values are carried over")
    elif old_name != new.name:
        yield Change("PS752", Impact.SAFE, where,
                     f"was `{old_name}`", in_place="its bytes stay" * same)
    lines = [[p.fields[index] for p in line]  # refused: a curve that was none
             for index in range(min(len(p.fields) for p in line))]
    for fields in lines:
        yield from _field(where, fields, same)
    if before.doc != new.doc:
        yield Change("PS761", Impact.SAFE, where, "another description")


def _convertible(line: Sequence[Parameter]) -> bool:
    """Return whether there is a way from each state of a parameter to the next."""
    try:
        for before, new in pairwise(line):
            same_bytes(before, new)
    except NoConversion:
        return False
    return True


def _field(where: str, line: Sequence[Field], same: bool) -> Iterator[Change]:
    """Yield the changes of a field from its first state to the last; `same`: its bytes stay."""
    old, new = line[0], line[-1]
    axis = new.name.rpartition(".")[2] + ": " if new.kind is Kind.CURVE else ""
    way = way_along(line)
    if not same and (text := _stored_anew(line, way)):
        yield Change("PS762", Impact.MIGRATES, where, axis + text)
    elif same and old.unit != new.unit:
        yield Change("PS761", Impact.SAFE, where,
                     f"{axis}the unit is written {new.unit or 'without a word'}",
                     in_place="its bytes stay")
    if old.count != new.count:
        yield _recount(where, old, new)
    if old.members:
        yield from _members(where, line, same)
    elif way:
        yield from _limits(where, axis, old, new, way, same)
    if way and _default_changed(way.conversion, old, new):
        yield Change("PS756", Impact.SAFE, where,
                     f"{axis}the default is {format_value(new, new.default)} now, was "
                     f"{format_value(old, old.default)}; "
                     + ("stored values stay" if same else "it counts where nothing is stored"))
    if old.digits != new.digits:
        yield Change("PS761", Impact.SAFE, where, f"{axis}another number of decimals is shown")
    if old.array != new.array:
        yield Change("PS761", Impact.SAFE, where,
                     "an array now" if new.array else "a single value now, no array")


def _stored_anew(line: Sequence[Field], way: ValueRoute | None) -> str:
    """Return how a number is stored in another way; "" if it is not."""
    old, new = line[0], line[-1]
    if _stored(old) != _stored(new) or (way and isinstance(way.conversion.rule, Arithmetic)):
        rounding = _rounding(new) if line_may_round(line) else ""
        return f"{_stored(old)} becomes {_stored(new)}; values are converted{rounding}"
    if any(_stored(a) != _stored(b) for a, b in pairwise(line)):
        return f"{_stored(new)} again, in other bytes; values are migrated"
    return ""


def _rounding(new: Field) -> str:
    if new.scalar.form is ScalarForm.FLOAT:
        digits = 7 if new.scalar.size == 4 else 16
        return f", and rounded to {new.scalar.name}, about {digits} digits"
    unit = f" {new.unit}" if new.unit else ""
    return f", and rounded to steps of {show_number(abs(new.scale))}{unit}"


def _default_changed(conversion: Conversion, old: Field, new: Field) -> bool:
    """Return whether one of the elements that both have has another default, converted."""
    return any(convert_raw(conversion, a) != b and (
        not isinstance(conversion.rule, Arithmetic) or rounded(conversion, a, b))
        for a, b in zip(old.default, new.default, strict=False))


def _recount(where: str, old: Field, new: Field) -> Change:
    what = "byte" if new.kind in (Kind.TEXT, Kind.BYTES) else "element"
    text = f"{plural(old.count, what)} before, {new.count} now"
    if new.count < old.count:
        return Change("PS765", Impact.MIGRATES, where, f"{text}; the last ones are lost")
    rest = "texts are carried over" if new.kind is Kind.TEXT else "the new ones get the default"
    return Change("PS764", Impact.MIGRATES, where, f"{text}; {rest}")


def _members(where: str, line: Sequence[Field], same: bool) -> Iterator[Change]:
    old, new = line[0], line[-1]
    renamed = via_along(line).names
    before = {renamed.get(name, name): number for name, number in old.members}
    now = dict(new.members)
    for name, _ in old.members:
        if renamed.get(name, name) != name:
            yield Change("PS766", Impact.SAFE, where, f"member `{name}` is `{renamed[name]}` now")
    if added := [name for name in now if name not in before]:
        yield Change("PS759", Impact.SAFE, where, f"new member{'s' * (len(added) > 1)} "
                     f"{code_list(added)}",
                     in_place="older firmware takes its default instead")
    if gone := [name for name in before if name not in now]:
        are, one = ("s", "are gone; a unit that holds one") if len(gone) > 1 else (
            "", "is gone; a unit that holds it")
        yield Change("PS760", Impact.MIGRATES, where,
                     f"member{are} {code_list(gone)} {one} gets the default")
    if not same:
        moved = [n for n in now if n in before and before[n] != now[n]]
        if moved or old.scalar != new.scalar:
            yield Change("PS762", Impact.MIGRATES, where, "members are numbered or stored in "
                         "another way; values are converted by name")


def _gone(old: Plan, new: Schema, links: Links) -> Iterator[Change]:
    kept = set(links.parameters.values())
    living = {ring.group.id for ring in links.groups.values()}
    for ring in old.rings:
        name = ring.group.name
        if ring.group.id not in living:
            yield Change("PS755", Impact.SAFE, name, "retired group",
                         in_place="its pages stay taken")
        for parameter in ring.group.parameters:
            if (name, parameter.name) not in kept:
                yield Change("PS754", Impact.SAFE, f"{name}.{parameter.name}",
                             "retired",
                             in_place="its bytes stay taken, and its values stay in old units")


# ---- Words --------------------------------------------------------------------------------------


def _stored(field: Field) -> str:
    if field.members or field.kind in (Kind.TEXT, Kind.BYTES, Kind.BOOL, Kind.DATE):
        return field.kind.value
    scale = f" x {show_number(field.scale)}" if field.scale != 1 else ""
    if field.offset:
        scale += f" {'+' if field.offset > 0 else '-'} {show_number(abs(field.offset))}"
    return f"{field.scalar.name}{scale}" + (f" {field.unit}" if field.unit else "")


# ---- Limits -------------------------------------------------------------------------------------


def _limits(where: str, axis: str, old: Field, new: Field, way: ValueRoute,
            same: bool) -> Iterator[Change]:
    """Yield that limits are narrower than what is stored, converted; or wider, for the same bytes.
    """
    if same and old.limits.ranges == new.limits.ranges:
        return
    inside = all(any(a <= low and high <= b for a, b in ranges_of(new))
                 for low, high in images(old, way))
    if not inside and not _both_boundless(old, new):
        now, was = ((_range(new), _range(old)) if same
                    else (show_range(new), _seen_as(old, new, way)))
        yield Change("PS758", Impact.MIGRATES, where, f"{axis}may be {now} now, was {was}; a unit "
                     "that holds a value outside gets the default")
    elif inside and same:
        yield Change("PS757", Impact.SAFE, where, f"{axis}may be {_range(new)} now, was "
                     f"{_range(old)}",
                     in_place="older firmware takes its default for a value beyond its own limits")


def _both_boundless(old: Field, new: Field) -> bool:
    """Whether both are floats of one type without limits: it ends a little earlier or later in
    another unit, which nobody asked for."""
    return old.scalar == new.scalar and boundless(old) and boundless(new)


def _seen_as(old: Field, new: Field, way: ValueRoute) -> str:
    """Return the range of `old` in the unit of `new`, to six digits where there are more."""
    if boundless(old):
        return show_range(old)
    ranges = ranges_of(old)
    ends = sorted(Fraction(physical_number(old, end)) * way.via.factor + way.via.offset
                  for end in (ranges[0][0], ranges[-1][1]))
    low, high = (show_number(_decimal(end)) for end in ends)
    return f"{low} to {high}" + (f" {new.unit}" if new.unit else "")


def _decimal(number: Fraction) -> Decimal:
    for digits in (10, 6):
        with localcontext(prec=digits) as context:
            value = Decimal(number.numerator) / Decimal(number.denominator)
            if not context.flags[Inexact]:
                return value
    return value


def _range(field: Field) -> str:
    """Return the range of bytes that stay; that of a whole type is no limit."""
    whole: tuple[Raw, Raw] = (field.scalar.minimum, field.scalar.maximum)
    if boundless(field):
        return "any finite value"
    return "any value" if ranges_of(field) == (whole,) else show_range(field)
