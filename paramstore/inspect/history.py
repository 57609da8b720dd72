"""What a group was before: its commits that can still be read, and what changed in each.

Must not judge slots (see `slots`).
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

from paramstore.core.format import slot_of
from paramstore.core.scalars import GroupRaws, Raw
from paramstore.image.contents import Contents, GroupContents
from paramstore.layout.physics import DAYS_PER_YEAR, endurance_at
from paramstore.layout.plan import Plan
from paramstore.record import Record, RecordState
from paramstore.releases.values import ValueOrigin, group_values
from paramstore.schema.model import Group, Parameter

__all__ = ["Commit", "CommitHistory", "ValueChange", "Wear", "history_of", "wear_of"]


class ValueChange(NamedTuple):
    """A parameter whose values differ: the raws of its fields, as they are and as they will be, or
    in one commit and in the next."""

    group: Group
    parameter: Parameter
    before: GroupRaws
    after: GroupRaws


class Commit(NamedTuple):
    """One commit: its records (one for each copy that can be read), values, and what it changed
    against the commit before it in the list; nothing for the first one.

    Values of an earlier revision are converted; those that do not tell what firmware of today made
    of them, because they lay in another group or do not fit, are left out.
    """

    sequences: tuple[int, ...]
    revision: int
    values: GroupRaws
    changes: tuple[ValueChange, ...] = ()


class CommitHistory(NamedTuple):
    """Commits from the oldest to the newest that can be read. `missing` are the (first, last)
    numbers between them without a whole record, `twice` numbers that more than one slot has."""

    commits: tuple[Commit, ...]
    missing: tuple[tuple[int, int], ...] = ()
    twice: tuple[int, ...] = ()


class Wear(NamedTuple):
    """How much of its life a ring has used, if every number up to the newest was written.

    `writes` is that of the slot written most often, `endurance` the cycles a page lasts at the
    temperature of the schema, `years_left` at the writes of the schema (inf: never written).
    """

    sequence: int
    writes: int
    endurance: float
    years_left: float

    @property
    def used(self) -> float:
        """Share of the endurance that is used, 1 at its end."""
        return self.writes / self.endurance


def history_of(plan: Plan, group: GroupContents) -> CommitHistory:
    """Return what the whole records of a ring of `plan` tell of its past."""
    records = sorted((s.record for s in group.slots if s.record.valid),
                     key=lambda r: r.sequence)
    commits: list[Commit] = []
    last: Record | None = None
    for record in records:
        copy = (last is not None and record.sequence == last.sequence + 1
                and (record.body, record.revision) == (last.body, last.revision)
                and len(commits[-1].sequences) < group.ring.group.copies)
        if copy:
            commits[-1] = _with_copy(commits[-1], record.sequence)
        else:
            values = _values(plan, group, record)
            changes = _changes(group, commits[-1].values, values) if commits else ()
            commits.append(Commit((record.sequence,), record.revision, values, changes))
        last = record
    numbers = [r.sequence for r in records]
    missing = tuple((a + 1, b - 1) for a, b in pairwise(numbers) if b > a + 1)
    return CommitHistory(tuple(commits), missing, _twice(group))


def _values(plan: Plan, group: GroupContents, record: Record) -> GroupRaws:
    """Return the values of a record as far as it tells them."""
    ring = group.ring
    values, origins = group_values(plan, ring, {ring.group.id: record}, earlier=True)
    elsewhere = {m.field for m in plan.migrations if m.group == ring.group.id}
    told = [p for p in ring.group.parameters if origins[p.name] is not ValueOrigin.UNFIT and not (
        origins[p.name] is ValueOrigin.DEFAULT and any(f.name in elsewhere for f in p.fields))]
    return {f.name: values[f.name] for p in told for f in p.fields}


def _with_copy(commit: Commit, sequence: int) -> Commit:
    return Commit((*commit.sequences, sequence), commit.revision, commit.values, commit.changes)


def _changes(group: GroupContents, before: GroupRaws, after: GroupRaws) -> tuple[ValueChange, ...]:
    return tuple(
        ValueChange(group.ring.group, p, {f.name: before[f.name] for f in p.fields},
               {f.name: after[f.name] for f in p.fields})
        for p in group.ring.group.parameters
        if before.keys() & after.keys() >= {f.name for f in p.fields}
        # NaN is what it was if its bytes are.
        and any(map(_differ, (x for f in p.fields for x in before[f.name]),
                    (x for f in p.fields for x in after[f.name])))
    )


def _differ(before: Raw, after: Raw) -> bool:
    both_nan = isinstance(before, float) and isinstance(after, float) and (
        math.isnan(before) and math.isnan(after))
    return before != after and not both_nan


def _twice(group: GroupContents) -> tuple[int, ...]:
    """Return the numbers of misplaced records that their own slot has as well."""
    slots = group.ring.slots
    return tuple(sorted({
        s.record.sequence for s in group.slots
        if s.record.state is RecordState.MISPLACED
        and group.slots[slot_of(s.record.sequence, slots)].record.sequence == s.record.sequence
        and group.slots[slot_of(s.record.sequence, slots)].record.valid
    }))


def wear_of(contents: Contents, group: GroupContents) -> Wear:
    """Return the wear of a ring, from the number of its newest record."""
    ring, schema = group.ring, contents.plan.schema
    sequence = group.newest.record.sequence if group.newest else 0
    cycles = endurance_at(contents.plan.part, schema.temperature_c)
    records_a_day = ring.group.writes_per_day * ring.group.copies
    left = max(0.0, cycles * ring.slots - sequence)
    years = left / records_a_day / DAYS_PER_YEAR if records_a_day else math.inf
    return Wear(sequence, -(-sequence // ring.slots), cycles, years)
