"""A dump read with the plan of a store.

    what a file says -> which schema -> where it lies -> contents -> verdicts

Each step is a module of its own; this one only puts them together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from paramstore.core.format import ERASED
from paramstore.core.scalars import GroupRaws
from paramstore.files.runs import Reading
from paramstore.image.contents import Contents, Gaps, unpack
from paramstore.image.diagnose import diagnose
from paramstore.inspect.classify import classify_slots
from paramstore.inspect.describe import describe
from paramstore.inspect.examination import (
    Absence,
    Examination,
    StoredValue,
    Values,
)
from paramstore.inspect.history import CommitHistory, Wear, history_of, wear_of
from paramstore.inspect.slots import SlotVerdict
from paramstore.inspect.which import Candidate, choose
from paramstore.layout.plan import Plan
from paramstore.schema.model import Group, Parameter, Schema

__all__ = ["StoreExamination", "examine_store", "store_values"]


@dataclass(frozen=True)
class StoreExamination(Examination):
    """What a dump of a store says. Slots, histories and wear go by group name; `unallocated` are
    the (first, past the last) bytes that are not erased on pages that nothing has, page by page."""

    plan: Plan
    contents: Contents
    slots: dict[str, tuple[SlotVerdict, ...]]
    histories: dict[str, CommitHistory]
    wear: dict[str, Wear]
    unallocated: Gaps

    @property
    def schema(self) -> Schema:
        """The schema of the store."""
        return self.plan.schema

    @property
    def size(self) -> int:
        """Bytes of the part."""
        return self.plan.part.capacity

    @property
    def groups(self) -> tuple[Group, ...]:
        """The groups, in the order of the schema."""
        return tuple(ring.group for ring in self.plan.rings)

    @property
    def comparable(self) -> bool:
        """Whether the dump is of this store, or blank."""
        return self.contents.readable or self.contents.blank

    def values(self) -> Values:
        """Return the values that firmware serves."""
        return store_values(self.contents)

    def same_layout(self, other: Examination) -> bool:
        """Return whether both are read with the same layout."""
        return isinstance(other, StoreExamination) and self.plan.layout_id == other.plan.layout_id


def examine_store(reading: Reading, candidates: Sequence[Candidate],
                  offset: int | None = None, *, named: bool = True,
                  what: str = "dump") -> StoreExamination:
    """Return what a file says of a part, read with the one of `candidates` it is of.

    `offset` is what a person says of where the part begins, see `align`; `named` whether a person
    says which store it is, see `choose`; `what` was read, for people. FindingsError for a file of
    which the schema is doubtful, or that does not fit the part.
    """
    choice = choose(reading, candidates, offset, named=named, what=what)
    plan, dump = choice.candidate.plan, choice.alignment.dump
    contents = unpack(plan, dump.data, dump.gaps)
    slots = classify_slots(contents) if contents.readable else {}
    groups = {g.ring.group.name: g for g in contents.groups}
    histories = {name: history_of(plan, g) for name, g in groups.items()}
    wear = {name: wear_of(contents, g) for name, g in groups.items()}
    unallocated = _unallocated(contents)
    # Slots, and groups that have none, are told with their causes.
    general = [f for f in diagnose(contents, reading.source.path, what)
               if f.code not in ("PS611", "PS612")]
    findings = (
        *reading.findings, *choice.findings, *choice.alignment.findings, *general,
        *(describe(contents, reading.source, slots, histories, wear, unallocated, what)
          if contents.readable else ()),
    )
    return StoreExamination(choice.candidate.name, reading, dump, tuple(findings), plan, contents,
                            slots, histories, wear, unallocated)


def _unallocated(contents: Contents) -> Gaps:
    """Return the bytes on free pages that are not erased, each page's at most once."""
    plan, page = contents.plan, contents.plan.part.page
    taken = set(range(2 * plan.label_pages))
    for ring in (*plan.rings, *plan.retired):
        taken |= set(range(ring.first_page, ring.first_page + ring.pages))
    found = []
    for number in range(min(plan.part.pages, -(-len(contents.image) // page))):
        data = contents.image[number * page:(number + 1) * page]
        if number not in taken and data.count(ERASED) < len(data):
            lead = len(data) - len(data.lstrip(bytes([ERASED])))
            found.append((number * page + lead,
                          number * page + len(data.rstrip(bytes([ERASED])))))
    return tuple(found)


def store_values(contents: Contents) -> Values:
    """Return the values that firmware serves, and which are defaults in place of what is stored."""
    found = {}
    for group in contents.groups:
        absent = None if group.newest else (
            Absence.UNREAD if group.may_be_in_gaps else
            Absence.LOST if group.lost else Absence.NO_RECORD)
        for parameter in group.ring.group.parameters:
            found[group.ring.group.name, parameter.name] = StoredValue(
                absent or _raws(group.values, parameter), group.reset_of(parameter))
    return found


def _raws(values: GroupRaws, parameter: Parameter) -> GroupRaws:
    return {field.name: values[field.name] for field in parameter.fields}
