"""Everything about a dump: the one verb of this room.

    what a file says -> which schema -> where it lies -> contents -> verdicts

Each step is a module of its own; this one only puts them together.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from paramstore.core.errors import Finding
from paramstore.core.format import ERASED
from paramstore.files.forms import Dump
from paramstore.files.runs import Reading
from paramstore.image.contents import Contents, unpack
from paramstore.image.diagnose import diagnose
from paramstore.inspect.classify import classify_slots
from paramstore.inspect.describe import describe
from paramstore.inspect.history import History, Wear, history_of, wear_of
from paramstore.inspect.slots import SlotVerdict
from paramstore.inspect.which import Candidate, choose
from paramstore.layout.plan import Plan

__all__ = ["Examination", "Stray", "examine"]


class Stray(NamedTuple):
    """Bytes from `first` to before `end` that are not erased, on pages that nothing has."""

    first: int
    end: int


class Examination(NamedTuple):
    """What a dump says. Slots, histories and wear go by group name; `findings` has everything
    that is wrong or worth knowing, from the file to its smallest part."""

    reading: Reading
    candidate: Candidate
    dump: Dump
    contents: Contents
    slots: dict[str, tuple[SlotVerdict, ...]]
    histories: dict[str, History]
    wear: dict[str, Wear]
    strays: tuple[Stray, ...]
    findings: tuple[Finding, ...]

    @property
    def plan(self) -> Plan:
        """The plan that the dump was read with."""
        return self.candidate.plan


def examine(reading: Reading, candidates: Sequence[Candidate],
            offset: int | None = None, *, named: bool = True,
            what: str = "dump") -> Examination:
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
    strays = _strays(contents)
    # Slots, and groups that have none, are told with their causes.
    general = [f for f in diagnose(contents, reading.source.path, what)
               if f.code not in ("PS611", "PS612")]
    findings = (
        *reading.findings, *choice.findings, *choice.alignment.findings, *general,
        *(describe(contents, reading.source, slots, histories, wear,
                   tuple((s.first, s.end) for s in strays), what) if contents.readable else ()),
    )
    return Examination(reading, choice.candidate, dump, contents, slots, histories, wear, strays,
                       tuple(findings))


def _strays(contents: Contents) -> tuple[Stray, ...]:
    """Return the bytes on free pages that are not erased, each page's at most once."""
    plan, page = contents.plan, contents.plan.part.page
    taken = set(range(2 * plan.label_pages))
    for ring in (*plan.rings, *plan.retired):
        taken |= set(range(ring.first_page, ring.first_page + ring.pages))
    strays = []
    for number in range(min(plan.part.pages, -(-len(contents.image) // page))):
        data = contents.image[number * page:(number + 1) * page]
        if number not in taken and data.count(ERASED) < len(data):
            lead = len(data) - len(data.lstrip(bytes([ERASED])))
            strays.append(Stray(number * page + lead,
                                number * page + len(data.rstrip(bytes([ERASED])))))
    return tuple(strays)
