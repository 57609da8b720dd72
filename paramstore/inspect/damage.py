"""Slots that hold no record though they should: what became of them, judged by the ring around.

A commit writes the slot behind the newest record, or one of the few after it if slots do not take
the record. So a power cut can have left only those slots torn, and the later ones only if something
of the new record is there; anything wrong elsewhere has another cause. Causes are tried in this
order: another store, the write of the next commit, small errors, and the rest is damage.

The store id leads the CRC of a record and is not stored. A CRC register can be run backwards, so
for any bytes there is exactly one store id that makes them a record: one record proves nothing,
but two that agree, or one that agrees with a label, do.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from paramstore.core.checksum import register_before
from paramstore.core.format import CRC_BYTES, ERASED, ERASED_SEQUENCE, skip_limit, slot_of
from paramstore.image.contents import Contents, GroupContents, LabelState, Slot, SlotState
from paramstore.inspect.repair import Repair, find_repair
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.tear import ByteSource, TornSlot, find_tear
from paramstore.layout.plan import Plan, Ring
from paramstore.record import RecordState, build_record, encode_body, sequence_of

__all__ = ["DamageClassifier", "foreign_stores", "store_id_of"]

_NO_CRC = bytes([ERASED]) * CRC_BYTES
"""The end of a record that was never written to its end."""
_ALL_ONES = 0xFFFFFFFF


class DamageClassifier:
    """Judges the slots of one group that are damaged, or erased where a record should be.

    `foreign` are the ids of other stores that the dump has records of, see `foreign_stores`."""

    def __init__(self, contents: Contents, group: GroupContents, foreign: frozenset[int]) -> None:
        self._plan: Plan = contents.plan
        self._group = group
        self._ring: Ring = group.ring
        self._image = contents.image
        self._foreign = foreign
        self._newest = group.newest.record.sequence if group.newest else 0
        last = self._newest + 1 + skip_limit(self._ring.slots)
        self._next = {slot_of(n, self._ring.slots): n
                      for n in range(last, self._newest, -1)}

    def verdict(self, slot: Slot, turn: int) -> SlotVerdict:
        """Return what became of a slot whose record should have the number `turn`."""
        return (self._erased(slot, turn) if slot.state is SlotState.ERASED
                else self._damaged(slot, turn))

    def _erased(self, slot: Slot, turn: int) -> SlotVerdict:
        if self._next.get(slot.number) == self._newest + 1:
            tear = find_tear(self._plan, self._ring, self._data(slot),
                             (turn, self._like(turn)), self._new(slot))
            return SlotVerdict(
                slot, SlotKind.TORN, turn, f"erased where record {turn} was: the write of record "
                f"{tear.new_sequence} was cut after the page was erased", tear)
        return SlotVerdict(slot, SlotKind.WORN, turn,
                           f"erased, though number {turn} came by: the page did not take it")

    def _damaged(self, slot: Slot, turn: int) -> SlotVerdict:
        data = self._data(slot)
        store = store_id_of(data, self._ring.group.id)
        if store in self._foreign:
            return SlotVerdict(slot, SlotKind.OTHER_STORE, turn,
                               f"a record of the store with id 0x{store:08X}", store_id=store)
        repair = self._repair(slot, data)
        cut = 0
        if slot.number in self._next:
            tear = self._tear(slot, turn, data)
            if self._begun(slot, tear, data):
                if repair is None or self._wiped_bits(repair, tear):
                    return SlotVerdict(slot, SlotKind.TORN, turn, _tear_text(tear, data), tear,
                                       repair)
                # A cut can leave no more than that: the graver cause leads, the other is told.
                cut = tear.new_sequence
        if repair is not None:
            doubt = f"; or the write of record {cut} was cut" if cut else ""
            return SlotVerdict(slot, SlotKind.FLIPPED, turn, f"record {repair.sequence} "
                               f"with {_bits_text(slot, repair)}{doubt}", repair=repair, cut=cut)
        return SlotVerdict(slot, SlotKind.DAMAGED, turn, slot.reason)

    def _begun(self, slot: Slot, tear: TornSlot, data: bytes) -> bool:
        """Whether the next commit came to a slot: it does to the first one, and to a later one only
        if the number there or a CRC shows it."""
        old = sequence_of(data) == (tear.old_sequence or ERASED_SEQUENCE)
        mixed = all(o in (ByteSource.OLD, ByteSource.NEW, ByteSource.SAME, ByteSource.MIXED)
                    for o in tear.sources[:4])
        return self._next[slot.number] == self._newest + 1 or tear.new is not None or (
            mixed and not old)

    def _repair(self, slot: Slot, data: bytes) -> Repair | None:
        """Return a repair that makes a record whose number belongs here and now."""
        repair = find_repair(self._plan, self._ring, data)
        if repair is None:
            return None
        sequence, slots = repair.sequence, self._ring.slots
        near = self._newest - 2 * slots <= sequence <= self._newest + slots or not self._newest
        return repair if sequence and near and slot_of(sequence, slots) == slot.number else None

    def _wiped_bits(self, repair: Repair, tear: TornSlot) -> bool:
        """Whether all bits that a repair would change lie on pages that read FF or 00 throughout:
        of a record that is nearly all FF or 00 itself, that may be all that a cut took.

        Other bits tell nothing: a cut that left the old record but for a bit or two, or the new
        one, leaves the same as bits that changed by themselves."""
        return repair.sequence == tear.old_sequence and all(
            self._wiped(tear, b.offset) for b in repair.bits)

    def _wiped(self, tear: TornSlot, offset: int) -> bool:
        """Whether the page that a byte is on reads FF or 00 throughout: of a record that is nearly
        all FF or 00 itself, one or two bits may be all that this took."""
        first = offset - offset % self._ring.page_bytes
        page = set(tear.sources[first:first + self._ring.page_bytes])
        return page in ({ByteSource.ERASED}, {ByteSource.CLEARED})

    # ---- Torn slots --------------------------------------------------------------------------

    def _tear(self, slot: Slot, turn: int, data: bytes) -> TornSlot:
        """Return the tear that a CRC proves with any neighbour as pattern, else the likeliest."""
        found = None
        for new in self._patterns(self._next[slot.number]):
            for old in self._patterns(turn) if turn else [None]:
                tear = find_tear(self._plan, self._ring, data,
                                 None if old is None else (turn, old),
                                 (self._next[slot.number], new))
                if tear.proven:
                    return tear
                found = found or tear
        assert found is not None, "there is always a pattern"
        return found

    def _new(self, slot: Slot) -> tuple[int, bytes]:
        number = self._next[slot.number]
        return number, self._like(number)

    def _like(self, sequence: int) -> bytes:
        return next(self._patterns(sequence))

    def _patterns(self, sequence: int) -> Iterator[bytes]:
        """Yield what record `sequence` may have been: bodies of the two records nearest to it."""
        whole = sorted((s.record for s in self._group.slots if s.record.valid),
                       key=lambda r: (abs(r.sequence - sequence), -r.sequence))
        for record in whole[:2]:
            yield build_record(self._plan, self._ring, sequence, record.body, record.revision)
        if not whole:
            yield build_record(self._plan, self._ring, sequence, encode_body(self._ring, {}))

    def _data(self, slot: Slot) -> bytes:
        return self._image[slot.address:slot.address + self._ring.record_bytes]


def foreign_stores(contents: Contents) -> frozenset[int]:
    """Return the ids of other stores that the dump has records of: that of a label, or one that
    the CRCs of several slots agree on, of rings with records of different lengths or else of three
    slots. The CRC is linear, so two records of a ring in which the same bits were changed agree as
    well, on an id that is nobody's; so do the same bytes in two slots, of which one number belongs
    elsewhere. What a bit or two explain counts for nothing."""
    plan = contents.plan
    seen: defaultdict[int, set[tuple[int, bytes]]] = defaultdict(set)
    for group in contents.groups:
        ring = group.ring
        for slot in group.slots:
            if slot.record.state is RecordState.BAD_CRC and (
                    slot_of(slot.record.sequence, ring.slots) == slot.number):
                data = contents.image[slot.address:slot.address + ring.record_bytes]
                if find_repair(plan, ring, data) is None:
                    seen[store_id_of(data, ring.group.id)].add((ring.record_bytes, data))
    ids = {i for i, records in seen.items()
           if len({size for size, _ in records}) > 1 or len(records) > 2}
    label = contents.label
    if label is not None and contents.label_state is LabelState.FOREIGN:
        ids |= {label.store_id} & seen.keys()
    return frozenset(ids - {plan.store_id})


def store_id_of(record: bytes, group_id: int) -> int:
    """Return the store id with which `record` is one of the group `group_id`, its CRC right."""
    crc = int.from_bytes(record[-CRC_BYTES:], "little")
    # The first four bytes meet the initial value of the register bit by bit.
    register = register_before(crc, bytes(4) + bytes([group_id]) + record[:-CRC_BYTES])
    return register ^ _ALL_ONES


def _tear_text(tear: TornSlot, data: bytes) -> str:
    if tear.new is not None:
        what = f"the write of record {tear.new_sequence} was cut just before its end"
    else:
        what = f"the write of record {tear.new_sequence} was cut"
        if not (tear.proven or data.endswith(_NO_CRC)):
            what += ", or the slot is damaged"
    if tear.old_sequence is not None:
        what += f"; record {tear.old_sequence} was there before"
    return what


def _bits_text(slot: Slot, repair: Repair) -> str:
    places = [f"bit {b.bit} of 0x{slot.address + b.offset:04X}" for b in repair.bits]
    return f"{'one bit' if len(places) == 1 else 'two bits'} changed: {' and '.join(places)}"
