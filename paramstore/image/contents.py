"""What an EEPROM image holds, read with a plan: labels, slots, newest records, values.

Gives facts; `image.diagnose` says what is wrong with them in words. Reading never fails, whatever
the bytes are. Must not know file forms (see `files`).

A group without a record (`newest` is None) is one or more of these:

- `blank`: every slot is erased, as on a new part.
- `may_have_been_erased`: blank, while other groups show that the unit has been in use.
- `missed`: may have been erased, and production gives each unit a record of it.
- `lost`: there are bytes in its ring that are no whole record, or bytes are missing.
- `may_be_in_gaps`: the dump does not have all bytes of its ring.
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from paramstore.core.format import ERASED, FORMAT_VERSION, NO_STORE, skip_limit, slot_of
from paramstore.core.scalars import GroupRaws
from paramstore.core.words import address_range
from paramstore.image.pack import used_ranges
from paramstore.layout.plan import Plan, Ring
from paramstore.record import (
    Label,
    Record,
    RecordState,
    newest_of,
    read_label,
    read_record,
)
from paramstore.releases.values import ValueOrigin, group_values, parting
from paramstore.schema.breaches import Reset, served
from paramstore.schema.model import Parameter

__all__ = ["Contents", "Gaps", "GroupContents", "LabelState", "Slot", "SlotState", "gaps_in",
           "newest_records", "unpack"]


Gaps = tuple[tuple[int, int], ...]
"""The (first, past the last) addresses of bytes that a dump does not have, in order."""

_LABEL_BYTES = 32
"""The longest label, whatever the part: one of another part is recognised too."""


class SlotState(StrEnum):
    """What one slot of a ring is worth."""

    CURRENT = "current"  # the newest record, or another copy of the same commit
    OLDER = "older"  # a whole record that a later one replaced
    ERASED = "erased"  # all FF
    DAMAGED = "damaged"  # no record: an interrupted write, wear, or bit errors
    FOREIGN = "foreign"  # a whole record, but not of this slot: misplaced, or of another group
    MISSING = "missing"  # the dump does not have all bytes of the slot

    @property
    def bad(self) -> bool:
        """Whether a slot in this state is a reason to look at the part."""
        return self in (SlotState.DAMAGED, SlotState.FOREIGN, SlotState.MISSING)


class Slot(NamedTuple):
    """One slot: its record as far as there is one, and for a bad one the reason in words."""

    number: int
    address: int
    record: Record
    state: SlotState
    reason: str = ""


class GroupContents(NamedTuple):
    """What the ring of one group holds.

    `newest` is None if there is no record; the values are defaults then, unless an earlier release
    kept them elsewhere (`origins`, by parameter). `values` are those that firmware serves, `stored`
    those that were read; they differ in the parameters of `resets`, which break the schema.
    """

    ring: Ring
    slots: tuple[Slot, ...]
    newest: Slot | None
    values: GroupRaws
    stored: GroupRaws
    origins: dict[str, ValueOrigin]
    resets: tuple[Reset, ...] = ()

    @property
    def blank(self) -> bool:
        """Whether every slot of the ring is erased."""
        return all(s.state is SlotState.ERASED for s in self.slots)

    @property
    def may_be_in_gaps(self) -> bool:
        """Whether there is no record, and the dump lacks bytes of slots that may hold one."""
        return self.newest is None and any(s.state is SlotState.MISSING for s in self.slots)

    @property
    def lost(self) -> bool:
        """Whether there are bytes in the ring, or bytes missing, but no record."""
        return self.newest is None and not self.blank

    @property
    def copies(self) -> int:
        """How many whole records there are of the newest commit, at most as many as the group asks;
        0 without a record. Slots that it passed over may lie between (FORMAT.md, 4)."""
        if self.newest is None:
            return 0
        newest, slots, wanted = self.newest.record, self.ring.slots, self.ring.group.copies
        last, count = newest.sequence, 1
        most = wanted - 1 + skip_limit(slots)
        for number in range(last - 1, last - 1 - most, -1):
            record = self.slots[slot_of(number, slots)].record
            if not record.valid or record.sequence != number:
                continue
            alike = (record.revision, record.body) == (newest.revision, newest.body)
            if count == wanted or not alike:
                break
            count += 1
        return count

    @property
    def migrated(self) -> bool:
        """Whether a value was taken from where an earlier release kept it."""
        return any(o in (ValueOrigin.CONVERTED, ValueOrigin.UNFIT) for o in self.origins.values())

    def reset_of(self, parameter: Parameter) -> Reset | None:
        """Return why a parameter has its default although another value is stored; None if it has
        the stored one."""
        if all(self.values[f.name] == self.stored[f.name] for f in parameter.fields):
            return None
        return next((r for r in self.resets if parameter in r.parameters), None)


class LabelState(StrEnum):
    """What the label says about the part."""

    OURS = "this store"
    BLANK = "blank"  # both copies erased
    DAMAGED = "damaged"  # no copy is whole
    MISSING = "not in the dump"  # no copy is whole, and of one not all bytes are there
    FOREIGN = "another store"
    ERASING = "being erased"  # a wipe that has not come to its end: nothing on the part counts
    RELEASE = "another release"  # one that the plan knows, or a later one
    BRANCH = "another branch of this store"  # a release of the same number is another one
    LAYOUT = "another layout"
    PART = "another part"
    FORMAT = "another format version"


_CRC_HOLDS = (RecordState.VALID, RecordState.MISPLACED)


class Contents(NamedTuple):
    """What an image holds. `labels` are the two copies, None where one is not whole. `gaps` are the
    (first, past the last) addresses of the image that were not read: they stand as FF in it."""

    plan: Plan
    image: bytes
    labels: tuple[Label | None, Label | None]
    label_state: LabelState
    groups: tuple[GroupContents, ...]
    gaps: Gaps = ()

    @property
    def label(self) -> Label | None:
        """The label that counts."""
        return _counting(self.labels)

    @property
    def blank(self) -> bool:
        """Whether the image is FF throughout; label and rings are all there."""
        return self.only(ERASED) and not any(
            gaps_in(self.gaps, first, end) for first, end in used_ranges(self.plan))

    def only(self, byte: int) -> bool:
        """Whether all bytes that were read are `byte`, and some were."""
        unread = sum(end - first for first, end in self.gaps)
        found = self.image.count(byte) - unread * (byte == ERASED)
        return found == len(self.image) - unread > 0

    @property
    def readable(self) -> bool:
        """Whether a label or a record is of this store, so that values mean anything."""
        if self.label is None:
            return any(g.newest for g in self.groups)
        return self.label_state not in (
            LabelState.FOREIGN, LabelState.ERASING, LabelState.BRANCH)

    @property
    def used(self) -> bool:
        """Whether a group was committed again after its first record: the unit has been in use."""
        return any(g.newest.record.sequence > g.ring.group.copies for g in self.groups if g.newest)

    def may_have_been_erased(self, group: GroupContents) -> bool:
        """Whether a group without a record may have had one: the unit has been in use since."""
        return group.blank and not group.migrated and self.used

    def missed(self, group: GroupContents) -> bool:
        """Whether a unit in use should have a record of a group that has none: production gives
        what it is and how it measures, but for groups that came with a later release. A bench
        unit to which production gave nothing has no record of any such group."""
        others = [g for g in self.groups if g.ring.group.role.protected and g is not group]
        return (self.may_have_been_erased(group) and group.ring.group.role.protected
                and group.ring.group.id not in self.plan.added
                and (not others or any(g.newest for g in others)))

    def unread_bytes(self, ring: Ring) -> Gaps:
        """Return the bytes that the dump lacks of slots of a living or retired ring, as far as no
        CRC shows what they are: there may be newer records than those that are seen."""
        capacity = self.plan.part.capacity
        gaps = (*self.gaps, *[(len(self.image), capacity)] * (len(self.image) < capacity))
        lacking: list[tuple[int, int]] = []
        for slot in range(ring.slots) if gaps else ():
            first, end = ring.address(slot), ring.address(slot) + ring.record_bytes
            found = gaps_in(gaps, first, end)
            if found and read_record(self.plan, ring, slot, _cut(
                    self.image, first, end - first)).state not in _CRC_HOLDS:
                lacking += found
        return tuple(lacking)

    def group(self, name: str) -> GroupContents:
        """Return the contents of the group called `name`; KeyError if there is none."""
        for g in self.groups:
            if g.ring.group.name == name:
                return g
        raise KeyError(name)


def unpack(plan: Plan, image: bytes, gaps: Gaps = ()) -> Contents:
    """Return what `image`, the bytes of the part from address 0 on, holds; `gaps` as in `Contents`.

    What lies in a gap is never read as anything, except where a right CRC proves that it is FF.
    """
    first, second = (_cut(image, plan.label_address(c), _LABEL_BYTES) for c in (0, 1))
    labels = (read_label(first), read_label(second))
    blank = all(c[:plan.label_bytes].strip(bytes([ERASED])) == b"" for c in (first, second))
    label = _counting(labels)
    earlier = label is None or (label.release, label.layout_id) in plan.migratable
    newest = newest_records(plan, image)
    groups = tuple(_read_group(plan, ring, image, gaps, newest, earlier) for ring in plan.rings)
    state = _label_state(plan, label, blank)
    if label is None and any(gaps_in(gaps, at, at + plan.label_bytes)
                             for at in map(plan.label_address, (0, 1))):
        state = LabelState.MISSING
    return Contents(plan, image, labels, state, groups, gaps)


def gaps_in(gaps: Gaps, first: int, end: int) -> Gaps:
    """Return those parts of `gaps` that lie from `first` to before `end`."""
    parts = ((max(a, first), min(b, end)) for a, b in gaps)
    return tuple((a, b) for a, b in parts if a < b)


def _cut(image: bytes, address: int, size: int) -> bytes:
    return image[address:address + size]


def _counting(labels: tuple[Label | None, Label | None]) -> Label | None:
    """Return the label that counts: copy 0 if it is whole, else copy 1."""
    return labels[0] or labels[1]


def _label_state(plan: Plan, label: Label | None, blank: bool) -> LabelState:
    if label is None:
        return LabelState.BLANK if blank else LabelState.DAMAGED
    if label.version != FORMAT_VERSION:
        return LabelState.FORMAT
    if label.store_id == NO_STORE:
        return LabelState.ERASING
    if label.store_id != plan.store_id:
        return LabelState.FOREIGN
    if (label.page, label.capacity) != (plan.part.page, plan.part.capacity):
        return LabelState.PART
    ours = (label.release, label.series, label.layout_id)
    if ours == (plan.release, plan.series, plan.layout_id):
        return LabelState.OURS
    if label.series != plan.series or not label.release:
        return LabelState.LAYOUT
    if (label.release, label.layout_id) in plan.migratable:
        return LabelState.RELEASE
    if parting(label, plan):
        return LabelState.BRANCH
    return LabelState.RELEASE if label.release > plan.release > 0 else LabelState.LAYOUT


def newest_records(plan: Plan, image: bytes) -> dict[int, Record]:
    """Return the newest record of each ring by group id, of retired groups too."""
    found = {r.group.id: newest_of(plan, r, image) for r in (*plan.rings, *plan.retired)}
    return {number: record for number, record in found.items() if record is not None}


def _records(plan: Plan, ring: Ring, image: bytes) -> list[Record]:
    return [
        read_record(plan, ring, slot, _cut(image, ring.address(slot), ring.record_bytes))
        for slot in range(ring.slots)
    ]


def _read_group(plan: Plan, ring: Ring, image: bytes, gaps: Gaps, newest: dict[int, Record],
                earlier: bool) -> GroupContents:
    best = newest.get(ring.group.id)
    slots = []
    for number, record in enumerate(_records(plan, ring, image)):
        state, reason = _judge(plan, ring, number, record, best, image)
        first = ring.address(number)
        lacking = gaps_in(gaps, first, first + ring.record_bytes)
        if lacking and state in (SlotState.ERASED, SlotState.DAMAGED):
            state, reason = SlotState.MISSING, _lacking(lacking)
        slots.append(Slot(number, ring.address(number), record, state, reason))
    found = group_values(plan, ring, newest, earlier)
    becomes = served(ring.group, found.values)
    return GroupContents(ring, tuple(slots), slots[slot_of(best.sequence, ring.slots)]
                         if best else None, becomes.values, found.values, found.origins,
                         becomes.resets)


def _judge(plan: Plan, ring: Ring, number: int, record: Record, newest: Record | None,
           image: bytes) -> tuple[SlotState, str]:
    """Return what a slot is worth, and for a bad one why."""
    match record.state:
        case RecordState.VALID:
            assert newest is not None, "a valid record makes a newest one"
            copy = newest.sequence - record.sequence < ring.group.copies
            current = copy and record.body == newest.body
            return (SlotState.CURRENT if current else SlotState.OLDER), ""
        case RecordState.ERASED:
            return SlotState.ERASED, ""
        case RecordState.SHORT:
            return SlotState.MISSING, "the dump ends before the slot does"
        case RecordState.MISPLACED:
            belongs = slot_of(record.sequence, ring.slots)
            return SlotState.FOREIGN, f"record {record.sequence} belongs in slot {belongs}"
        case RecordState.NO_NUMBER:
            return SlotState.DAMAGED, f"0x{record.sequence:08X} is no sequence number"
        case RecordState.BAD_CRC:
            owner = _owner(plan, ring, number, image)
            if owner is not None:
                return SlotState.FOREIGN, f"holds a record of group `{owner}`"
            return SlotState.DAMAGED, _damage(ring, number, record, newest, image)


def _lacking(gaps: Gaps) -> str:
    places = [address_range(first, end) for first, end in gaps]
    return " and ".join(places) + " not there"


def _owner(plan: Plan, ring: Ring, number: int, image: bytes) -> str | None:
    """Return the group of this store whose whole record lies in a slot of another one."""
    for other in plan.rings:
        data = _cut(image, ring.address(number), other.record_bytes)
        state = read_record(plan, other, 0, data).state
        if other is not ring and state in (RecordState.VALID, RecordState.MISPLACED):
            return other.group.name
    return None


def _damage(ring: Ring, number: int, record: Record, newest: Record | None, image: bytes) -> str:
    pages = list(ring.writes())
    written = len(pages)
    for offset, length in reversed(pages):
        first = ring.address(number) + offset
        if image.count(ERASED, first, first + length) < length:
            break
        written -= 1
    if written < len(pages):
        return f"only {written} of {len(pages)} pages written"
    belongs = slot_of(record.sequence, ring.slots) == number
    if belongs and newest and abs(record.sequence - newest.sequence) <= ring.slots:
        return f"record {record.sequence} with a wrong CRC"
    return "wrong CRC"
