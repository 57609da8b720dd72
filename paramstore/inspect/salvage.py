"""A clean image from a damaged dump, with a list of what came from where.

Takes of each group the newest whole record and writes it as a freshly packed part has it, numbered
from 1, so that nothing of the damage is left; the bytes of the body stay what they were, also those
that only other firmware knows. Values that an earlier release kept in another way come over as they
are read, for the new label says that there is nothing to convert. What is lost has its
defaults; a protected group that is, or that is blank, is left without a record, so that
it does not look calibrated. A record that one or two bits would mend counts only if that is asked
for; one whose write was interrupted never does, for nobody was ever told that it was stored.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from paramstore.core.format import skip_limit, slot_of
from paramstore.image.contents import GroupContents
from paramstore.inspect.repair import Repair
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.store import StoreExamination
from paramstore.layout.plan import Plan
from paramstore.record import (
    decode_body,
    encode_body,
    labelled_image,
    lay_records,
    with_values,
)
from paramstore.releases.values import ValueOrigin
from paramstore.schema.breaches import served

__all__ = ["GroupSource", "Salvage", "SourceKind", "salvage"]


class SourceKind(StrEnum):
    """Where the values of a group come from."""

    RECORD = "record"  # the newest whole one
    REPAIRED = "repaired record"  # a newer one, with bits changed back
    CONVERTED = "converted record"  # the newest whole one, and what an earlier release kept
    MIGRATED = "an earlier release"  # no record, but what that kept elsewhere
    DEFAULTS = "defaults"
    LOST = "lost"  # a protected group: left without a record
    BLANK = "blank"  # the same, but nothing shows that there was something to lose


class GroupSource(NamedTuple):
    """Where a group comes from: `sequence` is the number of the record in the dump, 0 if there is
    none. `offered` is a newer record that a repair would give, if it was not taken; `newer` a slot
    that may have held one which nothing mends, or was not read; `defaulted` the parameters whose
    stored values do not fit the schema."""

    group: str
    kind: SourceKind
    sequence: int
    slot: int | None = None
    repair: Repair | None = None
    offered: SlotVerdict | None = None
    newer: SlotVerdict | None = None
    defaulted: tuple[str, ...] = ()


class Salvage(NamedTuple):
    """The image of a whole part, and the source of each group in schema order."""

    image: bytes
    sources: tuple[GroupSource, ...]

    @property
    def complete(self) -> bool:
        """Whether every value is the one that was stored last."""
        return not any(s.kind in (SourceKind.DEFAULTS, SourceKind.LOST) or s.defaulted
                       or s.offered or s.newer for s in self.sources)


def salvage(examination: StoreExamination, *, repair: bool = False) -> Salvage:
    """Return a clean image with everything of the dump that is whole; with `repair`, also records
    that one or two changed bits make whole, if they are newer."""
    plan = examination.plan
    image = labelled_image(plan)
    sources = []
    for group in examination.contents.groups:
        verdicts = examination.slots.get(group.ring.group.name, ())
        lost = group.lost or examination.contents.missed(group)
        source, body, revision = _source(group, verdicts, repair, lost)
        source = source._replace(newer=_newer(source, verdicts))
        sources.append(_checked(plan, group, source, body, revision, image))
    return Salvage(bytes(image), tuple(sources))


def _source(group: GroupContents, verdicts: tuple[SlotVerdict, ...],
            repair: bool, lost: bool) -> tuple[GroupSource, bytes, int]:
    """Return where a group comes from, its body and revision."""
    name, newest = group.ring.group.name, group.newest
    sequence = newest.record.sequence if newest else 0
    flipped = [(v, v.repair) for v in verdicts if v.repair and v.kind is SlotKind.FLIPPED]
    offered = None
    if flipped:
        verdict, mend = max(flipped, key=lambda f: f[1].sequence)
        record = mend.record
        copy = newest is not None and record.body == newest.record.body  # of the same values
        if record.sequence > sequence and not copy:
            if repair:
                return (GroupSource(name, SourceKind.REPAIRED, record.sequence,
                                    verdict.slot.number, mend), record.body, record.revision)
            offered = verdict
    if group.migrated:
        kind = SourceKind.CONVERTED if newest else SourceKind.MIGRATED
        body = newest.record.body if newest else encode_body(group.ring, {})
        unfit = tuple(p for p, origin in group.origins.items() if origin is ValueOrigin.UNFIT)
        revision = max(group.ring.revision, newest.record.revision if newest else 0)
        reset = (p.name for p in group.ring.group.parameters if group.reset_of(p))
        return (GroupSource(name, kind, sequence, newest.number if newest else None,
                            offered=offered, defaulted=(*unfit, *reset)),
                with_values(group.ring, body, revision, group.values), revision)
    if newest is None:
        kind = SourceKind.DEFAULTS if not group.ring.group.role.protected else (
            SourceKind.LOST if lost else SourceKind.BLANK)
        return (GroupSource(name, kind, 0, offered=offered),
                encode_body(group.ring, {}), group.ring.revision)
    return (GroupSource(name, SourceKind.RECORD, sequence, newest.number, offered=offered),
            newest.record.body, newest.record.revision)


def _newer(source: GroupSource, verdicts: tuple[SlotVerdict, ...]) -> SlotVerdict | None:
    """Return a slot that may have held a whole record newer than the one that is taken: one that
    the dump lacks, one that is damaged and has its number, or the one that was next. A write that
    was cut leaves that, too, but no CRC says that it was one."""
    slots = len(verdicts)
    following = {slot_of(source.sequence + 1 + n, slots) for n in range(1 + skip_limit(slots))}
    for verdict in verdicts:
        number = verdict.slot.record.sequence
        near = source.sequence < number <= source.sequence + 2 * len(verdicts)
        over = verdict.kind in (SlotKind.MISPLACED, SlotKind.OTHER_STORE)
        if verdict.kind is SlotKind.MISSING or (over and verdict.slot.number in following) or (
                verdict.kind is SlotKind.DAMAGED and near) or (
                verdict.kind is SlotKind.TORN and verdict.tear and not verdict.tear.proven):
            return verdict
    return None


def _checked(plan: Plan, group: GroupContents, source: GroupSource, body: bytes, revision: int,
             image: bytearray) -> GroupSource:
    """Write the copies of a group, if it has a source, with the values that firmware serves; those
    that break the schema are defaults."""
    if source.kind in (SourceKind.LOST, SourceKind.BLANK):
        return source
    ring = group.ring
    stored = decode_body(ring, body, revision)
    becomes = served(ring.group, stored)
    lay_records(image, plan, ring, with_values(ring, body, revision, becomes.values), revision)
    wrong = [p.name for reset in becomes.resets for p in reset.parameters
             if any(becomes.values[f.name] != stored[f.name] for f in p.fields)]
    return source._replace(defaulted=tuple(dict.fromkeys((*source.defaulted, *wrong))))
