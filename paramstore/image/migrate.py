"""An image of one release made one of another, up or down, with a report of every value.

Up does what the firmware of the later release does at mount, `ps_format` and commit, and commits
groups with values outside their limits too. Down turns values back as far as there is a way; what
only the later release knew is lost, and told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from paramstore.core.errors import ToolError
from paramstore.core.format import ERASED
from paramstore.core.scalars import GroupRaws, Raw, StoreRaws
from paramstore.image.contents import Contents, Gaps, GroupContents, newest_records
from paramstore.image.wording import breach_text
from paramstore.layout.plan import Plan, Ring
from paramstore.layout.raw_conversion import convert_raw, rounded
from paramstore.record import Record, lay_labels, lay_records, next_record
from paramstore.releases.successors import Counterpart, predecessors, successors
from paramstore.releases.values import ValueOrigin, group_values
from paramstore.schema.breaches import BreachKind, Reset, Served, served
from paramstore.schema.from_raw import format_value, show_range
from paramstore.schema.model import Field, Group, Kind, Parameter

__all__ = [
    "MigratedValue",
    "Migration",
    "ValueOutcome",
    "accounts",
    "breach_reason",
    "migrate",
    "replaced",
    "retired_unread",
    "shown",
    "turned",
    "write_group",
]

class ValueOutcome(StrEnum):
    """What became of a value."""

    KEPT = "kept"
    CONVERTED = "converted"
    ROUNDED = "rounded"  # converted, to the nearest number of the new type
    CUT = "cut"  # converted, but for elements at the end that there is no room for
    RESTORED = "restored"  # from bytes that were kept since it was taken out
    RETIRED = "retired"  # taken out; the bytes stay
    DEFAULTED = "defaulted"  # nothing was stored for it
    UNFIT = "unfit"  # it gets the default: there is no value for it, or that is outside the limits
    DAMAGED = "damaged"  # no slot of its group holds a whole record
    UNREAD = "unread"  # the dump lacks bytes that may hold it, or a newer one
    LEFT = "left"  # not migrated, because the schema says so
    LOST = "lost"  # the other release does not know it

    @property
    def harmed(self) -> bool:
        """Whether a stored value is gone, or may be."""
        return self in (ValueOutcome.CUT, ValueOutcome.UNFIT, ValueOutcome.DAMAGED,
                        ValueOutcome.UNREAD, ValueOutcome.LOST)


@dataclass(frozen=True, slots=True)
class MigratedValue:
    """One parameter. `before` and `after` are its values in words, "" where there is none;
    `reason` says more about its outcome, if there is more to say."""

    where: str
    outcome: ValueOutcome
    before: str = ""
    after: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Migration:
    """The new image and what became of each value."""

    image: bytes
    items: tuple[MigratedValue, ...]


def migrate(contents: Contents, target: Plan, between: Sequence[Plan]) -> Migration:
    """Return the image of `contents` as one of the release `target`.

    `contents` are read with the plan of the release that the image is of. `between` are all plans
    from the earlier to the later one of the two, both included. ToolError across a relayout.
    """
    source = contents.plan
    if source.series != target.series:
        raise ToolError(
            f"release {source.release} is of series {source.series}, release {target.release} of "
            f"series {target.series}: their rings lie in different places",
            "lay the unit out anew with --relayout")
    image = bytearray(contents.image.ljust(source.part.capacity, bytes([ERASED])))
    del image[source.part.capacity:]
    lay_labels(image, target)
    up = between[-1].release == target.release
    take = _up if up else _down
    items = tuple(take(contents, target, between, image))  # fills `image` on the way
    return Migration(bytes(image), (*items, *retired_unread(contents)))


def write_group(image: bytearray, plan: Plan, ring: Ring, newest: Record | None,
                values: GroupRaws) -> None:
    """Commit `values` to a ring behind its newest record, as firmware does."""
    body, revision = next_record(ring, values, newest)
    lay_records(image, plan, ring, body, revision, newest.sequence if newest else 0)


# ---- Up -----------------------------------------------------------------------------------------


def _up(contents: Contents, target: Plan, between: Sequence[Plan],
        image: bytearray) -> Iterator[MigratedValue]:
    newest = newest_records(target, contents.image)
    known = successors(between)
    former = predecessors(between)
    given = {g.ring.group.name: g.stored for g in contents.groups}
    earlier = len(between) > 1 or contents.label is None
    for ring in target.rings:
        found = group_values(target, ring, newest, earlier)
        becomes = served(ring.group, found.values)
        reset = replaced(ring.group, found.values, becomes)
        outcomes = {name: _outcome_up(origin, name in reset)
                    for name, origin in found.origins.items()}
        if {ValueOutcome.CONVERTED, ValueOutcome.UNFIT} & set(outcomes.values()):
            write_group(image, target, ring, newest.get(ring.group.id), becomes.values)
        yield from accounts(contents, ring.group, outcomes, former, given, found.values, becomes)
    for group in contents.groups:
        for parameter in group.ring.group.parameters:
            if (group.ring.group.name, parameter.name) not in known:
                yield MigratedValue(f"{group.ring.group.name}.{parameter.name}",
                                    ValueOutcome.RETIRED, shown(parameter, group.stored))


def _outcome_up(origin: ValueOrigin, reset: bool) -> ValueOutcome:
    if origin is ValueOrigin.UNFIT or (reset and origin is not ValueOrigin.DEFAULT):
        return ValueOutcome.UNFIT
    if origin is ValueOrigin.CONVERTED:
        return ValueOutcome.CONVERTED
    return ValueOutcome.KEPT if origin is ValueOrigin.RECORD else ValueOutcome.DEFAULTED


# ---- Down ---------------------------------------------------------------------------------------


def _down(contents: Contents, target: Plan, between: Sequence[Plan],
          image: bytearray) -> Iterator[MigratedValue]:
    newest = newest_records(target, contents.image)
    later = {g.ring.group.name: g.values for g in contents.groups}
    given = {g.ring.group.name: g.stored for g in contents.groups}
    stored = {(g.ring.group.name, name) for g in contents.groups
              for name, origin in g.origins.items() if origin is not ValueOrigin.DEFAULT}
    known = successors(between)
    for ring in target.rings:
        held = group_values(target, ring, newest, earlier=False)
        taken, outcomes = dict(held.values), {}
        for parameter in ring.group.parameters:
            successor = known.get((ring.group.name, parameter.name))
            if successor and (successor.ring.group.name, successor.parameter.name) not in stored:
                held_here = held.origins[parameter.name] is ValueOrigin.RECORD
                outcomes[parameter.name] = (ValueOutcome.RESTORED if held_here
                                         else ValueOutcome.DEFAULTED)
                continue
            outcomes[parameter.name] = _turned_back(ring, parameter, successor, later, taken,
                                                 held.origins[parameter.name])
        becomes = served(ring.group, taken)
        outcomes |= {name: ValueOutcome.UNFIT for name in replaced(ring.group, taken, becomes)
                  if outcomes[name] is not ValueOutcome.DEFAULTED}
        record = newest.get(ring.group.id)
        as_it_is = record is None or record.revision == ring.revision
        if not as_it_is or {ValueOutcome.CONVERTED, ValueOutcome.UNFIT} & set(outcomes.values()):
            if record is not None:  # the new record has only what the earlier release knows
                record = record._replace(revision=min(record.revision, ring.revision))
            write_group(image, target, ring, record, becomes.values)
        yield from accounts(contents, ring.group, outcomes, known, given, taken, becomes)
    yield from _left_behind(contents, target, known, image)


def _turned_back(ring: Ring, parameter: Parameter, successor: Counterpart | None,
                 later: StoreRaws, values: dict[str, tuple[Raw, ...]],
                 origin: ValueOrigin) -> ValueOutcome:
    """Put the value of one parameter into `values`; return what became of it."""
    if successor is None:
        return ValueOutcome.RESTORED if origin is ValueOrigin.RECORD else ValueOutcome.DEFAULTED
    there, here = _offsets(successor.ring, successor.parameter), _offsets(ring, parameter)
    if successor.ring.group.id == ring.group.id and there == here:
        return ValueOutcome.KEPT if origin is ValueOrigin.RECORD else ValueOutcome.DEFAULTED
    back = turned(parameter, successor, later[successor.ring.group.name])
    values.update(back or {f.name: f.default for f in parameter.fields})
    return ValueOutcome.UNFIT if back is None else ValueOutcome.CONVERTED


def _offsets(ring: Ring, parameter: Parameter) -> list[int]:
    return [p.offset for p in ring.fields if p.field in parameter.fields]


def _left_behind(contents: Contents, target: Plan, known: Mapping[tuple[str, str], Counterpart],
                 image: bytearray) -> Iterator[MigratedValue]:
    """Yield what the earlier release does not know; erase the rings that it does not have."""
    reached = {(h.ring.group.name, h.parameter.name) for h in known.values()}
    there = {r.group.id for r in (*target.rings, *target.retired)}
    for ring in (*contents.plan.rings, *contents.plan.retired):
        if ring.group.id not in there:
            span = slice(ring.address(0), ring.address(ring.slots))
            image[span] = bytes([ERASED]) * ring.pages * ring.page_bytes
    for group in contents.groups:
        ring = group.ring
        for parameter in ring.group.parameters:
            if (ring.group.name, parameter.name) not in reached:
                stored = group.origins[parameter.name] is not ValueOrigin.DEFAULT
                yield MigratedValue(f"{ring.group.name}.{parameter.name}",
                           ValueOutcome.LOST if stored else ValueOutcome.DEFAULTED,
                           shown(parameter, group.stored))


# ---- Values ----------------------------------------------------------------------------------


def turned(parameter: Parameter, source: Counterpart, given: GroupRaws) -> GroupRaws | None:
    """Return the values of a parameter from those that another release has in the group of
    `source`; None if one of them has no equal."""
    values: dict[str, tuple[Raw, ...]] = {}
    for field, other, c in zip(parameter.fields, source.parameter.fields, source.conversions,
                               strict=True):
        elements = _fitted(field, [convert_raw(c, raw) for raw in given[other.name]])
        if elements is None:
            return None
        values[field.name] = elements
    return values


def _fitted(field: Field, raws: list[Raw | None]) -> tuple[Raw, ...] | None:
    """Return as many elements as a field has, with defaults for what is not there; None if one
    has no value, or if a text or byte string would be cut."""
    kept = tuple(raw for raw in raws[:field.count] if raw is not None)
    cut = field.kind in (Kind.TEXT, Kind.BYTES) and any(raws[field.count:])
    if cut or len(kept) < min(field.count, len(raws)):
        return None
    fill = (0,) * field.count if field.kind is Kind.TEXT else field.default
    return kept + fill[len(kept):]


# ---- Accounts --------------------------------------------------------------------------------


def accounts(contents: Contents, group: Group, outcomes: Mapping[str, ValueOutcome],
             known: Mapping[tuple[str, str], Counterpart], given: StoreRaws, taken: GroupRaws,
             becomes: Served) -> Iterator[MigratedValue]:
    """Yield what became of each parameter of a group.

    `known` says where they come from in `contents`, `given` what is there, by group; `taken` is
    what came over, limits not checked, and `becomes` what the group has in the end.
    """
    lacking = {r.group.name: contents.unread_bytes(r) for r in contents.plan.rings}
    for parameter in group.parameters:
        outcome, reason = outcomes[parameter.name], ""
        source = known.get((group.name, parameter.name))
        home = source.ring.group.name if source else ""
        old = given[home] if source else {}
        lost = source is not None and _lost(contents.group(home), source.parameter)
        if lacking.get(home):
            outcome, reason = ValueOutcome.UNREAD, _lacking(lacking[home])
        elif lost:
            outcome = ValueOutcome.DAMAGED
        elif outcome is ValueOutcome.UNFIT:
            reason = _reason(group, parameter, source, old, becomes)
        elif outcome is ValueOutcome.CONVERTED and source:
            outcome = _outcome(parameter, source, old, becomes.values)
        yield MigratedValue(f"{group.name}.{parameter.name}", outcome,
                   shown(source.parameter, old) if source and not lost else "",
                   shown(parameter, becomes.values), reason)


def replaced(group: Group, taken: GroupRaws, becomes: Served) -> frozenset[str]:
    """Return the parameters of which another value came over than the default that they get."""
    return frozenset(name for name in becomes.defaulted
                     if any(taken[f.name] != f.default for f in group.parameter(name).fields))


def _lost(group: GroupContents, parameter: Parameter) -> bool:
    return group.lost and group.origins[parameter.name] is ValueOrigin.DEFAULT


def retired_unread(contents: Contents) -> Iterator[MigratedValue]:
    """Yield the parameters of retired groups of which the dump lacks bytes."""
    for ring in contents.plan.retired:
        if lacking := contents.unread_bytes(ring):
            for parameter in ring.group.parameters:
                yield MigratedValue(f"{ring.group.name}.{parameter.name}", ValueOutcome.UNREAD,
                           reason=f"retired; {_lacking(lacking)}")


def _lacking(gaps: Gaps) -> str:
    first, last = gaps[0][0], gaps[-1][1] - 1
    return f"bytes from 0x{first:04X} to 0x{last:04X} are not in the dump"


def _outcome(parameter: Parameter, source: Counterpart, given: GroupRaws,
             values: GroupRaws) -> ValueOutcome:
    """Return what became of a converted value; elements with their default are no loss."""
    outcome = ValueOutcome.CONVERTED
    for field, other, c in zip(parameter.fields, source.parameter.fields, source.conversions,
                               strict=True):
        old = given[other.name]
        texts = field.kind in (Kind.TEXT, Kind.BYTES)
        if not texts and old[field.count:] != other.default[field.count:]:
            return ValueOutcome.CUT
        if any(rounded(c, a, b) for a, b in zip(old, values[field.name], strict=False)):
            outcome = ValueOutcome.ROUNDED
    return outcome


def _reason(group: Group, parameter: Parameter, source: Counterpart | None, given: GroupRaws,
            becomes: Served) -> str:
    """Return why a parameter got its default: no equal value, or the first breach that it was part
    of, as firmware meets them."""
    if source and turned(parameter, source, given) is None:
        return _without_equal(parameter, source, given)
    return breach_reason(becomes.reset_of(parameter), group)


def breach_reason(reset: Reset, group: Group) -> str:
    """Return a breach as the reason for a default."""
    breach, field = reset.breach, reset.breach.field
    match breach.kind:
        case BreachKind.LIMIT:
            return "no such member" if field.members else f"outside {show_range(field)}"
        case BreachKind.RISING:
            return "it does not rise"
        case BreachKind.TEXT:
            return "not UTF-8"
        case BreachKind.BELOW:
            return breach_text(breach, group, reset.values)


def _without_equal(parameter: Parameter, source: Counterpart, given: GroupRaws) -> str:
    for index, field in enumerate(parameter.fields):
        if field.kind in (Kind.TEXT, Kind.BYTES):
            return f"longer than {field.count} bytes"
        other = source.parameter.fields[index].name
        if any(convert_raw(source.conversions[index], raw) is None for raw in given[other]):
            return "no such member" if field.members else f"outside {show_range(field)}"
    raise AssertionError("one element has no equal")


# ---- Words --------------------------------------------------------------------------------------


def shown(parameter: Parameter, values: GroupRaws) -> str:
    """Return the value of a parameter in words."""
    return ", ".join(format_value(f, values[f.name]) for f in parameter.fields)
