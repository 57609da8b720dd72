"""What changed between two releases, in plain words, and what it means for units in the field.

`changes` compares an old plan with a new schema, given who is who. A change that cannot be made is
a finding with a way out; everything else is a `Change`. Places nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from paramstore.errors import Finding, Severity
from paramstore.evolve.conversion import Refused, conversion_of, same_bytes, via_of
from paramstore.evolve.links import Links
from paramstore.layout.demand import slots_for_life
from paramstore.layout.misfit import anew_help
from paramstore.layout.moves import Arithmetic
from paramstore.layout.plan import Plan, Ring
from paramstore.parts.part import Part
from paramstore.scalars import Raw, ScalarForm
from paramstore.schema.model import Field, Group, Kind, Limits, Parameter, Schema
from paramstore.schema.quantity import format_value, show_raw
from paramstore.schema.words import code_list, plural, show_number

__all__ = ["Change", "Verdict", "changes", "refusals", "warnings"]


class Verdict(StrEnum):
    """What a change means for units in the field."""

    SAFE = "safe"  # old bytes are read as they are; what is new has its default
    WEARS = "wears out early"  # no byte moves, but a ring does not last the life wanted (PS426)
    MIGRATES = "needs migration"  # values are converted, or some cannot be kept
    RELAYOUT = "needs relayout"  # rings lie elsewhere: units are converted on the host
    REFUSED = "refused"  # it would move bytes or change what they mean


@dataclass(frozen=True, slots=True)
class Change:
    """One change. `where` is a group, GROUP.PARAMETER, or "" for the whole store."""

    code: str
    verdict: Verdict
    where: str
    text: str


# ---- What cannot be done ------------------------------------------------------------------------


def refusals(old: Plan, new: Schema, links: Links) -> Iterator[Finding]:
    """Yield an error for every change of values, rings or part that units cannot follow."""
    if new.name != old.schema.name:
        yield _error("PS733", new, f"the store was released as `{old.schema.name}`",
                     f'write `name = "{old.schema.name}"`; another store needs a schema file of '
                     "its own", notes=("the name marks every record of the units in the field",))
    anew = new.series == old.series + 1
    if not anew and new.series != old.series:
        yield _error("PS740", new, f"the last release is of series {old.series}, the schema of "
                     f"{new.series}", f"write `series = {old.series}`; {anew_help(old.schema)}")
    if not anew and (differences := tuple(_geometry(old.part, new.part))):
        yield _error("PS732", new, f"the {new.part.name} is built in another way than the "
                     f"{old.part.name} of the released units", "take a part of the same geometry; "
                     + anew_help(old.schema),
                     notes=differences)
    for group in new.groups:
        ring = links.groups.get(group.name)
        if ring is not None and not anew:
            yield from _ring_refusals(new, group, ring)
        for parameter in group.parameters:
            former = _before(old, links, group, parameter)
            if former is not None:
                try:
                    same_bytes(former, parameter)
                except Refused as refused:
                    yield Finding(refused.code, str(refused), new.source, parameter.span,
                                  notes=refused.notes, help=refused.help)


def warnings(old: Plan, new: Schema, links: Links) -> Iterator[Finding]:
    """Yield a warning for every `convert` that has served: the next change would use it again."""
    for group in new.groups:
        for parameter in group.parameters:
            before = _before(old, links, group, parameter)
            for index, field in enumerate(parameter.fields):
                convert = field.convert
                if convert is None:
                    continue
                former = before.fields[index] if before and index < len(before.fields) else None
                names = {name for name, _ in former.members} if former else set()
                if former is None or (former.unit == field.unit
                                      and not names & {name for name, _ in convert.names}):
                    yield Finding(
                        "PS737", f"`convert` of `{field.name}` does nothing", new.source,
                        parameter.span, notes=(
                            "its unit and the names of its members are those of the last release",),
                        help="take it out, so that a later change does not use it by mistake",
                        severity=Severity.WARNING)


def _geometry(old: Part, new: Part) -> Iterator[str]:
    for what, before, now in (
        ("bytes", old.capacity, new.capacity), ("bytes of a page", old.page, new.page),
        ("address bytes on the bus", old.address_bytes, new.address_bytes),
        ("block-select bits", old.block_bits, new.block_bits),
        ("first block-select bit", old.block_shift, new.block_shift),
    ):
        if before != now:
            yield f"{what}: {now} instead of {before}"


def _ring_refusals(schema: Schema, group: Group, ring: Ring) -> Iterator[Finding]:
    if group.slots is not None and group.slots != ring.slots:
        yield _error(
            "PS735", schema, f"group `{group.name}` has {ring.slots} slots in the units in the "
            f"field, not {group.slots}", f"write `slots = {ring.slots}`, or leave `slots` out; "
            + anew_help(schema), group)
    if group.copies >= ring.slots:
        yield _error(
            "PS735", schema, f"group `{group.name}` has {plural(ring.slots, 'slot')}, too few for "
            f"{group.copies} copies", f"write `copies = {ring.slots - 1}`; "
            + anew_help(schema), group)


def _error(code: str, schema: Schema, message: str, help: str, group: Group | None = None,
           notes: tuple[str, ...] = ()) -> Finding:
    return Finding(code, message, schema.source, group.span if group else None, notes=notes,
                   help=help)


# ---- What was done ------------------------------------------------------------------------------


def changes(old: Plan, new: Schema, links: Links) -> Iterator[Change]:
    """Yield every change: of the store, then group by group, then what is gone.

    Those that cannot be made are in `refusals`, and may be worded here as if they could.
    """
    if old.series == new.series:
        yield from _changes(old, new, links)
        return
    yield Change("PS769", Verdict.RELAYOUT, "", f"series {new.series}: every ring is laid out "
                 "anew; `paramstore migrate` converts units of before on the host")
    for change in _changes(old, new, links):  # no ring and no byte stays
        said = change.text.removesuffix("; the ring stays")
        yield (replace(change, verdict=Verdict.SAFE, text=said) if change.code == "PS768"
               else replace(change, text=said.split("; ")[0]))


def _changes(old: Plan, new: Schema, links: Links) -> Iterator[Change]:
    short = {g.name for g in new.groups if g.name in links.groups
             and links.groups[g.name].slots < slots_for_life(g, new)}
    yield from _store(old.schema, new, bool(short))
    for group in new.groups:
        ring = links.groups.get(group.name)
        if ring is None:
            yield Change("PS751", Verdict.SAFE, group.name,
                         "new group; units in the field begin with its defaults")
        else:
            yield from _group(ring.group, group, group.name in short)
        for parameter in group.parameters:
            yield from _parameter(old, links, group, parameter)
    yield from _gone(old, new, links)


def _store(old: Schema, new: Schema, short: bool) -> Iterator[Change]:
    words = [f"{what} {a} -> {b}" for what, a, b in (
        ("part", old.part.name, new.part.name), ("address", hex(old.address), hex(new.address)),
        ("bus", f"{old.bus_khz} kHz", f"{new.bus_khz} kHz"),
        ("supply", f"{old.supply_v:g} V", f"{new.supply_v:g} V"),
        ("temperature", f"{old.temperature_c:g} degC", f"{new.temperature_c:g} degC"),
        ("life", f"{old.life_years:g} years", f"{new.life_years:g} years"),
    ) if a != b]
    if words:
        yield Change("PS768", _use(short), "", "; ".join(words))
    if old.doc != new.doc:
        yield Change("PS761", Verdict.SAFE, "", "another description")


def _use(short: bool) -> Verdict:
    return Verdict.WEARS if short else Verdict.SAFE


def _group(old: Group, new: Group, short: bool) -> Iterator[Change]:
    if old.name != new.name:
        yield Change("PS753", Verdict.SAFE, new.name, f"was group `{old.name}`; its ring stays")
    words = [f"{what} {a} -> {b}" for what, a, b in (
        ("role", old.role.value, new.role.value), ("copies", old.copies, new.copies),
        ("writes per day", f"{old.writes_per_day:g}", f"{new.writes_per_day:g}"),
    ) if a != b]
    if words:
        yield Change("PS768", _use(short), new.name, "; ".join(words) + "; the ring stays")
    if old.doc != new.doc:
        yield Change("PS761", Verdict.SAFE, new.name, "another description")


def _parameter(old: Plan, links: Links, group: Group, new: Parameter) -> Iterator[Change]:
    where = f"{group.name}.{new.name}"
    before = _before(old, links, group, new)
    if before is None:
        default = ", ".join(format_value(f, f.default) for f in new.fields)
        yield Change("PS750", Verdict.SAFE, where,
                     f"new; units in the field get the default {default}")
        return
    old_group, old_name = links.parameters[group.name, new.name]
    ring = links.groups.get(group.name)
    moved = ring is None or ring.group.name != old_group
    if moved:
        yield Change("PS763", Verdict.MIGRATES, where,
                     f"comes from `{old_group}.{old_name}`; values are carried over")
    elif old_name != new.name:
        yield Change("PS752", Verdict.SAFE, where, f"was `{old_name}`; its bytes stay")
    same = _same_bytes(before, new)
    for a, b in zip(before.fields, new.fields, strict=False):  # refused: a curve that was none
        yield from _field(where, a, b, same)
    if _renamed_below(links, old_group, before) != new.below:
        rule = f"must stay below `{new.below}` now" if new.below else (
            f"need not stay below `{before.below}` any more")
        verdict = Verdict.MIGRATES if new.below else Verdict.SAFE
        yield Change("PS767", verdict, where, rule + (
            "; units that break it get the defaults" if new.below else ""))
    if before.doc != new.doc:
        yield Change("PS761", Verdict.SAFE, where, "another description")


def _same_bytes(before: Parameter, new: Parameter) -> bool:
    try:
        return same_bytes(before, new)
    except Refused:  # over several releases: each step had its own `convert`
        return False


def _renamed_below(links: Links, group: str, before: Parameter) -> str | None:
    """Return what the partner of an old rule is called now."""
    now = {old: name for (_, name), old in links.parameters.items()}
    return now.get((group, before.below), before.below) if before.below else None


def _field(where: str, old: Field, new: Field, same: bool) -> Iterator[Change]:
    axis = new.name.rpartition(".")[2] + ": " if new.kind is Kind.CURVE else ""
    if not same and _stored(old) != _stored(new):
        yield Change("PS762", Verdict.MIGRATES, where,
                     f"{axis}{_stored(old)} becomes {_stored(new)}; values are converted"
                     + _rounding(old, new))
    elif same and old.unit != new.unit:
        yield Change("PS761", Verdict.SAFE, where,
                     f"{axis}the unit is written {new.unit or 'without a word'}; its bytes stay")
    if old.count != new.count:
        yield _recount(where, old, new)
    if old.members:
        yield from _members(where, old, new, same)
    elif same and (verdict := _limits(old.limits, new.limits)):
        code, text = ("PS757", "older firmware takes its default for a value beyond its own limits"
                      ) if verdict is Verdict.SAFE else (
            "PS758", "a unit that holds a value outside gets the default")
        yield Change(code, verdict, where,
                     f"{axis}may be {_range(new)} now, was {_range(old)}; {text}")
    if same and old.default != new.default:
        yield Change("PS756", Verdict.SAFE, where,
                     f"{axis}the default is {format_value(new, new.default)} now, was "
                     f"{format_value(old, old.default)}; stored values stay")
    if old.digits != new.digits:
        yield Change("PS761", Verdict.SAFE, where, f"{axis}another number of decimals is shown")


def _rounding(old: Field, new: Field) -> str:
    """Return that stored numbers are rounded, if they can lie between the steps of `new`."""
    try:
        conversion = conversion_of(old, new, via_of(old, new))
    except Refused:  # over several releases: each step had its own `convert`
        return ""
    rule, whole = conversion.rule, old.scalar.form is not ScalarForm.FLOAT
    if (not isinstance(rule, Arithmetic) or new.scalar.form is ScalarForm.FLOAT
            or (whole and rule.denominator == 1)):
        return ""
    unit = f" {new.unit}" if new.unit else ""
    return f", and rounded to steps of {show_number(abs(new.scale))}{unit}"


def _recount(where: str, old: Field, new: Field) -> Change:
    what = "byte" if new.kind in (Kind.TEXT, Kind.BYTES) else "element"
    text = f"{plural(old.count, what)} before, {new.count} now"
    if new.count < old.count:
        return Change("PS765", Verdict.MIGRATES, where, f"{text}; the last ones are lost")
    return Change("PS764", Verdict.MIGRATES, where, f"{text}; the new ones get the default")


def _members(where: str, old: Field, new: Field, same: bool) -> Iterator[Change]:
    renamed = dict(new.convert.names) if new.convert else {}
    before = {renamed.get(name, name): number for name, number in old.members}
    now = dict(new.members)
    for name, _ in old.members:
        if name in renamed:
            yield Change("PS766", Verdict.SAFE, where, f"member `{name}` is `{renamed[name]}` now")
    if added := [name for name in now if name not in before]:
        yield Change("PS759", Verdict.SAFE, where, f"new member{'s' * (len(added) > 1)} "
                     f"{code_list(added)}; older firmware takes its default instead")
    if gone := [name for name in before if name not in now]:
        are, one = ("s", "are gone; a unit that holds one") if len(gone) > 1 else (
            "", "is gone; a unit that holds it")
        yield Change("PS760", Verdict.MIGRATES, where,
                     f"member{are} {code_list(gone)} {one} gets the default")
    if not same:
        moved = [n for n in now if n in before and before[n] != now[n]]
        if moved or old.scalar != new.scalar:
            yield Change("PS762", Verdict.MIGRATES, where, "members are numbered or stored in "
                         "another way; values are converted by name")


def _gone(old: Plan, new: Schema, links: Links) -> Iterator[Change]:
    kept = set(links.parameters.values())
    living = {ring.group.id for ring in links.groups.values()}
    for ring in old.rings:
        name = ring.group.name
        if ring.group.id not in living:
            yield Change("PS755", Verdict.SAFE, name, "retired group; its pages stay taken")
        for parameter in ring.group.parameters:
            if (name, parameter.name) not in kept:
                yield Change("PS754", Verdict.SAFE, f"{name}.{parameter.name}",
                             "retired; its bytes stay taken, and its values stay in old units")


def _before(old: Plan, links: Links, group: Group, parameter: Parameter) -> Parameter | None:
    name = links.parameters.get((group.name, parameter.name))
    return old.ring(name[0]).group.parameter(name[1]) if name else None


# ---- Words --------------------------------------------------------------------------------------


def _stored(field: Field) -> str:
    if field.members or field.kind in (Kind.TEXT, Kind.BYTES, Kind.BOOL, Kind.DATE):
        return field.kind.value
    scale = f" x {show_number(field.scale)}" if field.scale != 1 else ""
    if field.offset:
        scale += f" {'+' if field.offset > 0 else '-'} {show_number(abs(field.offset))}"
    return f"{field.scalar.name}{scale}" + (f" {field.unit}" if field.unit else "")


def _limits(old: Limits, new: Limits) -> Verdict | None:
    if old.ranges == new.ranges:
        return None
    if not new.ranges or (old.ranges and all(
            any(a <= low and high <= b for a, b in new.ranges) for low, high in old.ranges)):
        return Verdict.SAFE
    return Verdict.MIGRATES


def _range(field: Field) -> str:
    whole: tuple[Raw, Raw] = (field.scalar.minimum, field.scalar.maximum)
    if not field.limits.ranges or field.limits.ranges == (whole,):
        return "any value" if field.scalar.form is not ScalarForm.FLOAT else "any finite value"
    low, high = sorted((field.limits.ranges[0][0], field.limits.ranges[-1][1]),
                       reverse=field.scale < 0)
    return f"{show_raw(field, low)} to {show_raw(field, high)}"


