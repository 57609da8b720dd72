"""What has to be written so that a part holds given values, and in which order.

A group is replaced as firmware replaces it: a whole new record in the next slot, so that a cut at
any moment leaves the old one or the new one. A group kept in copies that has too few of them gets
those that it lacks. Labels come first, for without one a torn record would make the part look
foreign. Pure: contents in, steps out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum, auto
from typing import NamedTuple

from paramstore.bus.recognise import unlabelled
from paramstore.bus.steps import NewRecords, Put, Step, put_labels, writes_of
from paramstore.core.errors import Finding, FindingsError, Severity, SourceText
from paramstore.core.format import SEQUENCE_FULL, skip_limit
from paramstore.core.scalars import GroupRaws, StoreRaws
from paramstore.core.words import code_list
from paramstore.image.contents import Contents, GroupContents, LabelState, SlotState
from paramstore.image.pack import left_out
from paramstore.image.wording import breach_help, breach_text
from paramstore.inspect.history import ValueChange
from paramstore.layout.plan import Plan
from paramstore.record import build_label, next_record
from paramstore.schema.breaches import breaches

__all__ = ["Changes", "changes_of_group", "differences", "few_copies",
           "image_values", "value_changes"]


@dataclass(frozen=True, slots=True)
class Changes:
    """What would be done to a part that holds `before`, by `steps`. Groups go by name."""

    plan: Plan  # of what the part holds afterwards
    before: Contents
    steps: tuple[Step, ...]
    changed: tuple[ValueChange, ...] = ()
    kept_changes: tuple[ValueChange, ...] = ()  # not made: their groups are protected
    groups: tuple[str, ...] = ()  # that are written
    first_written: tuple[str, ...] = ()  # those of them that had no record
    gets_copies: tuple[str, ...] = ()  # those of them that only lack copies
    left: tuple[str, ...] = ()  # that stay without a record
    extra: tuple[str, ...] = ()  # that keep a record though the image has none
    in_part: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The parameters, by protected group, of which a first record holds the default, since no value
    was given."""
    erased_groups: tuple[str, ...] = ()  # that lose their record
    label: bool = False  # it is written
    findings: tuple[Finding, ...] = ()

    @property
    def writes(self) -> tuple[Put, ...]:
        """The pages that are written if all goes well, in order, as far as they differ."""
        return tuple(writes_of(self.steps, self.before.image, self.plan.part.page))

    @property
    def pages(self) -> tuple[int, ...]:
        """Their numbers."""
        return tuple(w.address // self.plan.part.page for w in self.writes)

    @property
    def image_after(self) -> bytes:
        """What the part holds afterwards, as far as it was read."""
        image = bytearray(self.before.image)
        for put in self.writes:
            put.lay(image)
        return bytes(image)


# ---- Values --------------------------------------------------------------------------------------


def image_values(contents: Contents, path: str, *,
                 exact: bool = False) -> StoreRaws:
    """Return the values of an image that is to be written, of the groups that have a record.

    FindingsError (PS962) if it is not of this store and layout, if it lacks bytes that may hold
    newer values, or if a group has no record: it was lost, or it is one that every unit has. An
    `exact` image may be without records.
    """
    reason = ""
    partly = [g.ring.group.name for g in contents.groups if contents.unread_bytes(g.ring)]
    if contents.label_state is not LabelState.OURS:
        reason = f"its label says: {contents.label_state}"
    elif partly:
        reason = f"it lacks bytes of group {code_list(partly)}"
    elif exact:
        pass
    elif lost := [g.ring.group.name for g in contents.groups
                  if g.lost or (g.newest is None and not g.ring.group.role.protected)]:
        reason = f"it has no record of group {code_list(lost)}"
    if reason:
        raise FindingsError([Finding(
            "PS962", f"`{path}` does not go with the part", SourceText(path, ""), notes=(reason,),
            help="`paramstore erase` makes a part blank" if exact and unlabelled(contents) else
            "make it anew with `paramstore pack`, or bring it over with `paramstore migrate`")
        ])
    return {g.ring.group.name: g.values for g in contents.groups if g.newest is not None}


def value_changes(contents: Contents, wanted: StoreRaws, name: str, *, unlock: bool = False,
                  defaults: bool = False, image: bool = False) -> Changes:
    """Return what makes a part hold the `wanted` values; what they do not name stays as it is.
    They are those of an `image`, or of a values file, which need not name all.

    A group that was never written is, with defaults for what is not given; a protected one of
    which nothing is given only if its `defaults` are to stand in a record. Protected groups with a
    record are kept unless `unlock` (PS964, a warning). FindingsError (PS963) if the values break
    the schema, (PS973) if a ring has no number left.
    """
    plan = contents.plan
    label = any(contents.image[at:at + plan.label_bytes] != build_label(plan)
                for at in map(plan.label_address, (0, 1)))
    labels: tuple[Step, ...] = tuple(put_labels(plan, contents)) if label else ()
    groups = [_group_change(plan, group, wanted.get(group.ring.group.name, {}), name,
                            unlock=unlock, defaults=defaults) for group in contents.groups]
    first = _names(g for g in groups if g.outcome is _Outcome.FIRST)
    kept = tuple(c for g in groups for c in g.kept)
    findings = [_finding("PS965", name, f"the part has lost group `{g.name}`: it is written anew")
                for g in groups if g.outcome is _Outcome.FIRST and g.group.lost]
    if kept:
        findings.append(_kept(kept, name))
    missing = left_out(plan, wanted)
    return Changes(
        plan, contents, (*labels, *(g.step for g in groups if g.step)),
        tuple(c for g in groups for c in g.changed), kept,
        groups=_names(g for g in groups if g.step), first_written=first,
        gets_copies=_names(g for g in groups if g.outcome is _Outcome.COPIES),
        left=_names(g for g in groups if g.outcome is _Outcome.LEFT),
        extra=_names(g for g in groups
                     if image and g.name not in wanted and g.group.newest is not None),
        in_part={g: missing[g] for g in first if g in missing and wanted.get(g)},
        label=label, findings=tuple(findings))


class _Outcome(Enum):
    """What becomes of a group."""

    LEFT = auto()  # it has no record, and gets none
    FIRST = auto()  # it gets its first record
    NEXT = auto()  # it gets a record with other values
    COPIES = auto()  # it gets copies of its record, which lacks some
    STAYS = auto()


class _GroupChange(NamedTuple):
    """What is done to one group: `changed` is written, `kept` is not, since it is protected."""

    group: GroupContents
    outcome: _Outcome
    changed: tuple[ValueChange, ...] = ()
    kept: tuple[ValueChange, ...] = ()
    step: Step | None = None

    @property
    def name(self) -> str:
        """The group's name."""
        return self.group.ring.group.name


def _names(changes: Iterable[_GroupChange]) -> tuple[str, ...]:
    return tuple(change.name for change in changes)


def _group_change(plan: Plan, group: GroupContents, given: GroupRaws, name: str, *, unlock: bool,
                  defaults: bool) -> _GroupChange:
    """Return what gives one group the values that are `given`; the rest as `value_changes`."""
    _refuse_full(group, name)
    protected = group.ring.group.role.protected
    diff = tuple(changes_of_group(group, given))
    if group.newest is None:
        mine = defaults if protected else _never_written(group)
        if not given and not mine:
            return _GroupChange(group, _Outcome.LEFT)
        outcome = _Outcome.FIRST
    elif not diff or (protected and not unlock):
        copies = _missing_copies(plan, group, asked=bool(given))
        return _GroupChange(group, _Outcome.COPIES if copies else _Outcome.STAYS, kept=diff,
                            step=copies)
    else:
        outcome = _Outcome.NEXT
    stored = {**group.values, **given}
    _check(group, stored, name)
    record = group.newest.record if group.newest else None
    body, revision = next_record(group.ring, stored, record)
    return _GroupChange(group, outcome, diff, step=NewRecords(
        plan, group.ring, record.sequence if record else 0, group.ring.group.copies, body,
        revision))


def _missing_copies(plan: Plan, group: GroupContents, *, asked: bool) -> NewRecords | None:
    """Return what writes the copies that the newest record of a group lacks; None if it has all, or
    nobody `asked` for the group and the numbers tell of no first commit that was cut."""
    if group.newest is None:
        return None
    newest, count = group.newest.record, group.ring.group.copies - group.copies
    if count <= 0 or not (asked or newest.sequence < group.ring.group.copies):
        return None
    return NewRecords(plan, group.ring, newest.sequence, count, newest.body, newest.revision)


def _refuse_full(group: GroupContents, name: str) -> None:
    """Refuse a ring whose numbers are used up, which no part lives long enough for (PS973)."""
    if group.newest is not None and group.newest.record.sequence >= SEQUENCE_FULL:
        raise FindingsError([Finding(
            "PS973", f"group `{group.ring.group.name}` has record number "
            f"{group.newest.record.sequence}, and no greater one is left", SourceText(name, ""),
            help="no part is worn out so late: read it again; then erase it, or write a copy with "
            "--exact")])


def _never_written(group: GroupContents) -> bool:
    """Whether a group without a record has only what its very first commit may have left when it
    was cut."""
    touched = [s.number for s in group.slots if s.state is not SlotState.ERASED]
    return all(number <= skip_limit(group.ring.slots) for number in touched)


def _kept(kept: tuple[ValueChange, ...], name: str) -> Finding:
    names = dict.fromkeys(change.group.name for change in kept)
    are = "s {} are" if len(names) > 1 else " {} is"
    return _finding("PS964", name, f"group{are.format(code_list(names))} kept",
                    "give --unlock to write identity and calibration")


def few_copies(contents: Contents, wanted: StoreRaws) -> tuple[tuple[str, int, int], ...]:
    """Return the groups among the `wanted` ones that have fewer whole records with the newest body
    than they should: name, how many there are, how many the schema asks."""
    return tuple((g.ring.group.name, g.copies, g.ring.group.copies) for g in contents.groups
                 if g.ring.group.name in wanted and 0 < g.copies < g.ring.group.copies)


def differences(contents: Contents, wanted: StoreRaws) -> tuple[ValueChange, ...]:
    """Return the parameters in which a part differs from what is `wanted`."""
    return tuple(
        change for group in contents.groups
        for change in changes_of_group(group, wanted.get(group.ring.group.name, {})))


def changes_of_group(group: GroupContents,
                     given: GroupRaws) -> Iterator[ValueChange]:
    """Yield the parameters that do not have what is given. One that has its default only because
    what is stored cannot be does not have it."""
    for parameter in group.ring.group.parameters:
        names = [f.name for f in parameter.fields]
        wanted = {**group.values, **given} if given.keys() & set(names) else group.stored
        before, after = ({n: values[n] for n in names} for values in (group.stored, wanted))
        if before != after and repr(before) != repr(after):  # a NaN is not even itself
            yield ValueChange(group.ring.group, parameter, before, after)


def _check(group: GroupContents, stored: GroupRaws, name: str) -> None:
    found = [
        Finding("PS963", breach_text(breach, group.ring.group, stored), SourceText(name, ""),
                help=breach_help(breach, stored) or "give another value")
        for breach in breaches(group.ring.group, stored)
    ]
    if found:
        raise FindingsError(found)


def _finding(code: str, name: str, message: str, help: str = "") -> Finding:
    return Finding(code, message, SourceText(name, ""), help=help, severity=Severity.WARNING)
