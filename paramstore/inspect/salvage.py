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

from paramstore.core.checksum import CRC_BYTES
from paramstore.core.format import ERASED, HEADER_BYTES, skip_limit, slot_of
from paramstore.core.scalars import Raw
from paramstore.image.contents import GroupContents
from paramstore.inspect.repair import Repair
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.store import StoreExamination
from paramstore.layout.plan import Plan
from paramstore.record import build_label, build_record, decode_body, encode_body
from paramstore.releases.values import Origin
from paramstore.schema.breaches import served

__all__ = ["GroupSource", "Salvage", "SourceKind", "salvage"]


class SourceKind(StrEnum):
    """Where the values of a group come from."""

    RECORD = "record"  # the newest whole one
    REPAIRED = "repaired record"  # a newer one, with bits changed back
    CONVERTED = "converted record"  # the newest whole one, and what an earlier release kept
    MOVED = "an earlier release"  # no record, but what that kept elsewhere
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
    image = bytearray([ERASED]) * plan.part.capacity
    for copy in (0, 1):
        _put(image, plan.label_address(copy), build_label(plan))
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
    mended = max(
        ((int.from_bytes(v.repair.data[:4], "little"), v) for v in verdicts
         if v.repair and v.kind is SlotKind.FLIPPED),
        key=lambda m: m[0], default=None)
    if mended is not None and (mended[0] <= sequence or (newest is not None and _body(
            mended[1]) == newest.record.body)):  # older, or another copy of the same values
        mended = None
    if mended is not None and repair and mended[1].repair is not None:
        return (GroupSource(name, SourceKind.REPAIRED, mended[0], mended[1].slot.number,
                       mended[1].repair),
                _body(mended[1]), mended[1].repair.data[HEADER_BYTES - 1])
    offered = mended[1] if mended is not None else None
    if group.migrated:
        kind = SourceKind.CONVERTED if newest else SourceKind.MOVED
        body = newest.record.body if newest else encode_body(group.ring, {})
        unfit = tuple(p for p, origin in group.origins.items() if origin is Origin.UNFIT)
        revision = max(group.ring.revision, newest.record.revision if newest else 0)
        reset = (p.name for p in group.ring.group.parameters if group.reset_of(p))
        return (GroupSource(name, kind, sequence, newest.number if newest else None,
                            offered=offered, defaulted=(*unfit, *reset)),
                _with_values(body, group, group.values, revision), revision)
    if newest is None:
        kind = SourceKind.DEFAULTS if not group.ring.group.role.protected else (
            SourceKind.LOST if lost else SourceKind.BLANK)
        return (GroupSource(name, kind, 0, offered=offered),
                encode_body(group.ring, {}), group.ring.revision)
    return (GroupSource(name, SourceKind.RECORD, sequence, newest.number, offered=offered),
            newest.record.body, newest.record.revision)


def _body(verdict: SlotVerdict) -> bytes:
    """Return the body of the record that a repair makes."""
    assert verdict.repair is not None, "only those that can be mended come here"
    return verdict.repair.data[HEADER_BYTES:-CRC_BYTES]


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
    body = _with_values(body, group, becomes.values, revision)
    for slot in range(ring.group.copies):
        _put(image, ring.address(slot), build_record(plan, ring, slot + 1, body, revision))
    wrong = [p.name for reset in becomes.resets for p in reset.parameters
             if any(becomes.values[f.name] != stored[f.name] for f in p.fields)]
    return source._replace(defaulted=tuple(dict.fromkeys((*source.defaulted, *wrong))))


def _with_values(body: bytes, group: GroupContents, values: dict[str, tuple[Raw, ...]],
                 revision: int) -> bytes:
    """Return the body with other values in all fields that a record of a revision holds, all else
    as it was."""
    changed = bytearray(body)
    new = encode_body(group.ring, values)
    for placed in group.ring.fields:
        if placed.since <= revision:
            end = placed.offset + placed.field.size
            changed[placed.offset:end] = new[placed.offset:end]
    return bytes(changed)


def _put(image: bytearray, address: int, data: bytes) -> None:
    image[address:address + len(data)] = data
