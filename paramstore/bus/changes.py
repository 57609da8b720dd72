"""What has to be written so that a part holds given values, and in which order.

A group is replaced as firmware replaces it: a whole new record in the next slot, so that a cut at
any moment leaves the old one or the new one. A group kept in copies that has too few of them gets
those that it lacks. Labels come first, for without one a torn record would make the part look
foreign. Pure: contents in, steps out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

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
    """What would be done to a part that holds `before`, by `steps`; `plan` is that of what it holds
    afterwards.

    `changed` are parameters, `kept` those that stay though they differ, `groups` the groups that
    are written, `first` those of them that had no record, `copied` those that only lack copies,
    `left` the groups that stay without a record, `extra` those that keep one though the image has
    none, `in_part` the parameters, by protected group, that a first record holds the defaults of
    since no value was given, `erased_groups` those that lose their record. `label`: it is written.
    """

    plan: Plan
    before: Contents
    steps: tuple[Step, ...]
    changed: tuple[ValueChange, ...] = ()
    kept: tuple[ValueChange, ...] = ()
    groups: tuple[str, ...] = ()
    first: tuple[str, ...] = ()
    copied: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    extra: tuple[str, ...] = ()
    in_part: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    erased_groups: tuple[str, ...] = ()
    label: bool = False
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
    def target(self) -> bytes:
        """What the part holds afterwards, as far as it was read."""
        image = bytearray(self.before.image)
        for put in self.writes:
            put.lay(image)
        return bytes(image)


# ---- Values --------------------------------------------------------------------------------------


def image_values(contents: Contents, path: str, *,
                 exact: bool = False) -> StoreRaws:
    """Return the values of an image that is to be written, of the groups that have a record.

    FindingsError (PS962) if it is not one of this store and layout, lacks bytes of a slot, in which
    newer values may be, or has lost a group, or never had one that is not protected; an `exact` one
    may have none.
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
    steps: list[Step] = list(put_labels(plan, contents)) if label else []
    changed: list[ValueChange] = []
    kept: list[ValueChange] = []
    names: dict[str, list[str]] = {key: [] for key in ("groups", "first", "copied", "left",
                                                    "extra")}
    findings: list[Finding] = []
    for group in contents.groups:
        ring, called = group.ring, group.ring.group.name
        _refuse_full(group, name)
        given = wanted.get(called, {})
        stored = {**group.values, **given}
        diff = list(changes_of_group(group, given))
        count = ring.group.copies
        if image and called not in wanted and group.newest is not None:
            names["extra"].append(called)
        if group.newest is None:
            mine = defaults if ring.group.role.protected else _never_written(group)
            if not given and not mine:
                names["left"].append(called)
                continue
            names["first"].append(called)
            if group.lost:
                findings.append(_finding("PS965", name, f"the part has lost group `{called}`: it "
                                         "is written anew"))
        elif not diff or (ring.group.role.protected and not unlock):
            kept += diff
            newest, count = group.newest.record, count - group.copies
            # Numbers below tell of a first commit that was cut.
            if count > 0 and (given or newest.sequence < ring.group.copies):
                names["copied"].append(called)
                names["groups"].append(called)
                steps.append(NewRecords(plan, ring, newest.sequence, count, newest.body,
                                        newest.revision))
            continue
        changed += diff
        names["groups"].append(called)
        _check(group, stored, name)
        record = group.newest.record if group.newest else None
        body, revision = next_record(ring, stored, record)
        steps.append(NewRecords(plan, ring, record.sequence if record else 0, count, body,
                                revision))
    if kept:
        findings.append(_kept(kept, name))
    missing = left_out(plan, wanted)
    in_part = {g: missing[g] for g in names["first"] if g in missing and wanted.get(g)}
    return Changes(plan, contents, tuple(steps), tuple(changed), tuple(kept), label=label,
                   in_part=in_part, findings=tuple(findings),
                   **{key: tuple(of) for key, of in names.items()})


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


def _kept(kept: list[ValueChange], name: str) -> Finding:
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
