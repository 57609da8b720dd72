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
from paramstore.core.format import ERASED, slot_of
from paramstore.core.scalars import Raw
from paramstore.image.contents import Contents, Gaps, GroupContents, newest_records
from paramstore.image.wording import breach_text
from paramstore.layout.moves import convert, rounded
from paramstore.layout.plan import Plan, Ring
from paramstore.record import Record, build_label, build_record, encode_body
from paramstore.releases.heirs import Heir, forebears, heirs
from paramstore.releases.values import Origin, Values, group_values
from paramstore.schema.breaches import BreachKind, Reset, Served, served
from paramstore.schema.model import Field, Group, Kind, Parameter
from paramstore.schema.quantity import format_value, show_range

__all__ = ["Fate", "Item", "Migration", "accounts", "breach_reason", "migrate", "replaced",
           "retired_unread", "shown", "turned", "write_group"]

class Fate(StrEnum):
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
    LEFT = "left"  # not taken over, because the schema says so
    LOST = "lost"  # the other release does not know it

    @property
    def harmed(self) -> bool:
        """Whether a stored value is gone, or may be."""
        return self in (Fate.CUT, Fate.UNFIT, Fate.DAMAGED, Fate.UNREAD, Fate.LOST)


@dataclass(frozen=True, slots=True)
class Item:
    """One parameter. `before` and `after` are its values in words, "" where there is none;
    `reason` says more about its fate, if there is more to say."""

    where: str
    fate: Fate
    before: str = ""
    after: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Migration:
    """The new image and what became of each value."""

    image: bytes
    items: tuple[Item, ...]


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
    for copy in (0, 1):
        _put(image, target.label_address(copy), build_label(target))
    up = between[-1].release == target.release
    take = _up if up else _down
    items = tuple(take(contents, target, between, image))  # fills `image` on the way
    return Migration(bytes(image), (*items, *retired_unread(contents)))


def write_group(image: bytearray, plan: Plan, ring: Ring, newest: Record | None, values: Values,
                revision: int | None = None) -> None:
    """Commit `values` to a ring as firmware does, `copies` records after the newest one.

    Bytes that the ring does not know are kept, and the later one of both revisions; with a
    `revision` of its own the record has only what that release knows.
    """
    body = bytearray(encode_body(ring, values))
    number = 0
    if newest is not None:
        number = newest.sequence
        for r in ring.reserved:
            if newest.revision >= r.since:
                body[r.offset:r.offset + r.size] = newest.body[r.offset:r.offset + r.size]
        if revision is None and newest.revision > ring.revision:
            body[ring.payload_bytes:] = newest.body[ring.payload_bytes:]
            revision = newest.revision
    for copy in range(1, ring.group.copies + 1):
        record = build_record(plan, ring, number + copy, bytes(body), revision)
        _put(image, ring.address(slot_of(number + copy, ring.slots)), record)


# ---- Up -----------------------------------------------------------------------------------------


def _up(contents: Contents, target: Plan, between: Sequence[Plan],
        image: bytearray) -> Iterator[Item]:
    newest = newest_records(target, contents.image)
    known = heirs(between)
    former = forebears(between)
    given = {g.ring.group.name: g.stored for g in contents.groups}
    earlier = len(between) > 1 or contents.label is None
    for ring in target.rings:
        found = group_values(target, ring, newest, earlier)
        becomes = served(ring.group, found.values)
        reset = replaced(ring.group, found.values, becomes)
        fates = {name: _fate_up(origin, name in reset) for name, origin in found.origins.items()}
        if any(fate in (Fate.CONVERTED, Fate.UNFIT) for fate in fates.values()):
            write_group(image, target, ring, newest.get(ring.group.id), becomes.values)
        yield from accounts(contents, ring.group, fates, former, given, found.values, becomes)
    for group in contents.groups:
        for parameter in group.ring.group.parameters:
            if (group.ring.group.name, parameter.name) not in known:
                yield Item(f"{group.ring.group.name}.{parameter.name}", Fate.RETIRED,
                           shown(parameter, group.stored))


def _fate_up(origin: Origin, reset: bool) -> Fate:
    if origin is Origin.UNFIT or (reset and origin is not Origin.DEFAULT):
        return Fate.UNFIT
    if origin is Origin.CONVERTED:
        return Fate.CONVERTED
    return Fate.KEPT if origin is Origin.RECORD else Fate.DEFAULTED


# ---- Down ---------------------------------------------------------------------------------------


def _down(contents: Contents, target: Plan, between: Sequence[Plan],
          image: bytearray) -> Iterator[Item]:
    newest = newest_records(target, contents.image)
    later = {g.ring.group.name: g.values for g in contents.groups}
    given = {g.ring.group.name: g.stored for g in contents.groups}
    stored = {(g.ring.group.name, name) for g in contents.groups
              for name, origin in g.origins.items() if origin is not Origin.DEFAULT}
    known = heirs(between)
    for ring in target.rings:
        held = group_values(target, ring, newest, earlier=False)
        taken, fates = dict(held.values), {}
        for parameter in ring.group.parameters:
            heir = known.get((ring.group.name, parameter.name))
            if heir and (heir.ring.group.name, heir.parameter.name) not in stored:
                held_here = held.origins[parameter.name] is Origin.RECORD
                fates[parameter.name] = Fate.RESTORED if held_here else Fate.DEFAULTED
                continue
            fates[parameter.name] = _turned_back(ring, parameter, heir, later, taken,
                                                 held.origins[parameter.name])
        becomes = served(ring.group, taken)
        fates |= {name: Fate.UNFIT for name in replaced(ring.group, taken, becomes)
                  if fates[name] is not Fate.DEFAULTED}
        record = newest.get(ring.group.id)
        as_it_is = record is None or record.revision == ring.revision
        if not as_it_is or any(f in (Fate.CONVERTED, Fate.UNFIT) for f in fates.values()):
            write_group(image, target, ring, record, becomes.values, revision=ring.revision)
        yield from accounts(contents, ring.group, fates, known, given, taken, becomes)
    yield from _left_behind(contents, target, known, image)


def _turned_back(ring: Ring, parameter: Parameter, heir: Heir | None,
                 later: Mapping[str, Values], values: Values, origin: Origin) -> Fate:
    """Put the value of one parameter into `values`; return what became of it."""
    if heir is None:
        return Fate.RESTORED if origin is Origin.RECORD else Fate.DEFAULTED
    if heir.ring.group.id == ring.group.id and _offset(heir.ring, heir.parameter) == _offset(
            ring, parameter):
        return Fate.KEPT if origin is Origin.RECORD else Fate.DEFAULTED
    back = turned(parameter, heir, later[heir.ring.group.name])
    values.update(back or {f.name: f.default for f in parameter.fields})
    return Fate.UNFIT if back is None else Fate.CONVERTED


def _offset(ring: Ring, parameter: Parameter) -> int:
    return next(p.offset for p in ring.fields if p.field.name == parameter.fields[0].name)


def _left_behind(contents: Contents, target: Plan, known: Mapping[tuple[str, str], Heir],
                 image: bytearray) -> Iterator[Item]:
    """Yield what the earlier release does not know; erase the rings that it does not have."""
    reached = {(h.ring.group.name, h.parameter.name) for h in known.values()}
    there = {r.group.id for r in (*target.rings, *target.retired)}
    for ring in (*contents.plan.rings, *contents.plan.retired):
        if ring.group.id not in there:
            _put(image, ring.address(0), bytes([ERASED]) * ring.pages * ring.page_bytes)
    for group in contents.groups:
        ring = group.ring
        for parameter in ring.group.parameters:
            if (ring.group.name, parameter.name) not in reached:
                stored = group.origins[parameter.name] is not Origin.DEFAULT
                yield Item(f"{ring.group.name}.{parameter.name}",
                           Fate.LOST if stored else Fate.DEFAULTED,
                           shown(parameter, group.stored))


# ---- Values ----------------------------------------------------------------------------------


def turned(parameter: Parameter, source: Heir, given: Values) -> Values | None:
    """Return the values of a parameter from those that another release has in the group of
    `source`; None if one of them has no equal."""
    values: Values = {}
    for field, other, c in zip(parameter.fields, source.parameter.fields, source.conversions,
                               strict=True):
        elements = _fitted(field, [convert(c, raw) for raw in given[other.name]])
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


def accounts(contents: Contents, group: Group, fates: Mapping[str, Fate],
             known: Mapping[tuple[str, str], Heir], given: Mapping[str, Values], taken: Values,
             becomes: Served) -> Iterator[Item]:
    """Yield what became of each parameter of a group.

    `known` says where they come from in `contents`, `given` what is there, by group; `taken` is
    what came over, limits not checked, and `becomes` what the group has in the end.
    """
    lacking = {r.group.name: contents.unread(r) for r in contents.plan.rings}
    for parameter in group.parameters:
        fate, reason = fates[parameter.name], ""
        source = known.get((group.name, parameter.name))
        home = source.ring.group.name if source else ""
        old = given[home] if source else {}
        lost = source is not None and _lost(contents.group(home), source.parameter)
        if lacking.get(home):
            fate, reason = Fate.UNREAD, _lacking(lacking[home])
        elif lost:
            fate = Fate.DAMAGED
        elif fate is Fate.UNFIT:
            reason = _reason(group, parameter, source, old, becomes)
        elif fate is Fate.CONVERTED and source:
            fate = _told(parameter, source, old, becomes.values)
        yield Item(f"{group.name}.{parameter.name}", fate,
                   shown(source.parameter, old) if source and not lost else "",
                   shown(parameter, becomes.values), reason)


def replaced(group: Group, taken: Values, becomes: Served) -> frozenset[str]:
    """Return the parameters of which another value came over than the default that they get."""
    return frozenset(name for name in becomes.defaulted
                     if any(taken[f.name] != f.default for f in group.parameter(name).fields))


def _lost(group: GroupContents, parameter: Parameter) -> bool:
    return group.lost and group.origins[parameter.name] is Origin.DEFAULT


def retired_unread(contents: Contents) -> Iterator[Item]:
    """Yield the parameters of retired groups of which the dump lacks bytes."""
    for ring in contents.plan.retired:
        if lacking := contents.unread(ring):
            for parameter in ring.group.parameters:
                yield Item(f"{ring.group.name}.{parameter.name}", Fate.UNREAD,
                           reason=f"retired; {_lacking(lacking)}")


def _lacking(gaps: Gaps) -> str:
    first, last = gaps[0][0], gaps[-1][1] - 1
    return f"bytes from 0x{first:04X} to 0x{last:04X} are not in the dump"


def _told(parameter: Parameter, source: Heir, given: Values, values: Values) -> Fate:
    """Return whether a converted value lost anything; elements with their default are no loss."""
    fate = Fate.CONVERTED
    for field, other, c in zip(parameter.fields, source.parameter.fields, source.conversions,
                               strict=True):
        old = given[other.name]
        texts = field.kind in (Kind.TEXT, Kind.BYTES)
        if not texts and old[field.count:] != other.default[field.count:]:
            return Fate.CUT
        if any(rounded(c, a, b) for a, b in zip(old, values[field.name], strict=False)):
            fate = Fate.ROUNDED
    return fate


def _reason(group: Group, parameter: Parameter, source: Heir | None, given: Values,
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


def _without_equal(parameter: Parameter, source: Heir, given: Values) -> str:
    for index, field in enumerate(parameter.fields):
        if field.kind in (Kind.TEXT, Kind.BYTES):
            return f"longer than {field.count} bytes"
        other = source.parameter.fields[index].name
        if any(convert(source.conversions[index], raw) is None for raw in given[other]):
            return "no such member" if field.members else f"outside {show_range(field)}"
    raise AssertionError("one element has no equal")


# ---- Words and bytes ----------------------------------------------------------------------------


def shown(parameter: Parameter, values: Values) -> str:
    """Return the value of a parameter in words."""
    return ", ".join(format_value(f, values[f.name]) for f in parameter.fields)


def _put(image: bytearray, address: int, data: bytes) -> None:
    image[address:address + len(data)] = data
