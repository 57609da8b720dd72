"""Records: a sequence number, a revision, a body and a CRC (FORMAT.md, 3 and 4); and what the
record that follows one takes over from it.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from paramstore.core.checksum import crc32c
from paramstore.core.format import (
    CRC_BYTES,
    ERASED,
    OVERHEAD_BYTES,
    RECORD_PARTS,
    SEQUENCE_END,
    slot_of,
)
from paramstore.core.scalars import GroupRaws
from paramstore.layout.plan import Plan, Ring
from paramstore.record.body import encode_body
from paramstore.record.shapes import record_shape

__all__ = ["Record", "RecordParts", "RecordState", "build_record", "crc_holds", "crc_start",
           "kept_spans", "lay_records", "newest_of", "next_body", "next_record", "read_record",
           "record_crc", "sequence_of", "split_record"]

_SEQUENCE = RECORD_PARTS[0].size


class RecordState(StrEnum):
    """What the bytes of a slot are. Only a VALID record can be the newest one."""

    VALID = "valid"
    ERASED = "erased"  # every byte of the record is FF
    SHORT = "short"  # the bytes given end before the record does
    BAD_CRC = "wrong CRC"
    NO_NUMBER = "no sequence number"  # the CRC is right, but 0, and from D0000000 on, is no number
    MISPLACED = "misplaced"  # the CRC is right, but the number belongs in another slot


class RecordParts(NamedTuple):
    """The parts of the bytes of a record, whatever they are worth."""

    sequence: int
    revision: int
    body: bytes
    crc: int


class Record(NamedTuple):
    """What a slot holds. Unless `state` is VALID, the other parts are only what stood there."""

    sequence: int
    revision: int
    body: bytes
    state: RecordState

    @property
    def valid(self) -> bool:
        """Whether the record counts."""
        return self.state is RecordState.VALID


# ---- Bytes of one record ------------------------------------------------------------------------


def build_record(plan: Plan, ring: Ring, sequence: int, body: bytes,
                 revision: int | None = None) -> bytes:
    """Return the `ring.record_bytes` bytes of a record.

    `revision` is that of the ring if it is None. Raises CodecError if a part does not fit.
    """
    front = record_shape(ring.body_bytes).build({
        "sequence": sequence,
        "revision": ring.revision if revision is None else revision,
        "body": body,
        "crc": 0,
    })[:-CRC_BYTES]
    return front + record_crc(plan, ring, front)


def split_record(data: bytes) -> RecordParts:
    """Return the parts of the bytes of a whole record."""
    return RecordParts._make(record_shape(len(data) - OVERHEAD_BYTES).reader.unpack(data))


def sequence_of(data: bytes) -> int:
    """Return the sequence number that a record or its front begins with."""
    return int.from_bytes(data[:_SEQUENCE], "little")


def read_record(plan: Plan, ring: Ring, slot: int, data: bytes) -> Record:
    """Return what the record in `slot` of `ring` says; `data` begins where the slot does.

    Never fails: what is wrong is told by `state`, the first that applies in the order in which
    `RecordState` lists them.
    """
    data = data[:ring.record_bytes]
    if len(data) < ring.record_bytes:
        return Record(0, 0, b"", RecordState.SHORT)
    sequence, revision, body, _ = split_record(data)
    if data.count(ERASED) == len(data):
        state = RecordState.ERASED
    elif not crc_holds(plan, ring, data):
        state = RecordState.BAD_CRC
    elif not 0 < sequence < SEQUENCE_END:
        state = RecordState.NO_NUMBER
    elif slot_of(sequence, ring.slots) != slot:
        state = RecordState.MISPLACED
    else:
        state = RecordState.VALID
    return Record(sequence, revision, body, state)


def newest_of(plan: Plan, ring: Ring, image: bytes) -> Record | None:
    """Return the newest valid record of a ring in the bytes of a part; None if there is none."""
    records = (read_record(plan, ring, slot, image[at:at + ring.record_bytes])
               for slot, at in enumerate(map(ring.address, range(ring.slots))))
    return max((r for r in records if r.valid), key=lambda r: r.sequence, default=None)


def crc_holds(plan: Plan, ring: Ring, data: bytes) -> bool:
    """Return whether the CRC that ends `data` is that of a record of a ring."""
    return data[-CRC_BYTES:] == record_crc(plan, ring, data[:-CRC_BYTES])


def record_crc(plan: Plan, ring: Ring, front: bytes) -> bytes:
    """Return the CRC of a record of a ring that begins with `front`, all before the CRC."""
    crc = crc32c(_crc_prefix(plan.store_id, ring.group.id) + front)
    return crc.to_bytes(CRC_BYTES, "little")


def crc_start(plan: Plan, ring: Ring) -> int:
    """Return the CRC register with which the record itself begins."""
    return crc32c(_crc_prefix(plan.store_id, ring.group.id)) ^ 0xFFFF_FFFF


@lru_cache
def _crc_prefix(store_id: int, group_id: int) -> bytes:
    """Return the 5 bytes that precede a record under its CRC but are not stored.

    They make a record of another store, or of another group, fail its check.
    """
    return store_id.to_bytes(4, "little") + group_id.to_bytes(1, "little")


# ---- The record that follows --------------------------------------------------------------------


def next_record(ring: Ring, values: GroupRaws, newest: Record | None) -> tuple[bytes, int]:
    """Return body and revision of the record that brings `values` behind the newest one, as
    firmware writes it: the later one of both revisions, and bytes that the ring does not know
    as they were. Raises CodecError as `encode_body`."""
    body = encode_body(ring, values)
    if newest is None:
        return body, ring.revision
    return (next_body(ring, body, newest.revision, newest.body),
            max(ring.revision, newest.revision))


def next_body(ring: Ring, body: bytes, revision: int, newest: bytes) -> bytes:
    """Return `body` with the bytes that the ring does not know as they are in the `newest` body,
    which is of `revision`."""
    kept = bytearray(body)
    for span in kept_spans(ring, revision):
        kept[span] = newest[span]
    return bytes(kept)


def kept_spans(ring: Ring, revision: int) -> Iterator[slice]:
    """Yield the bytes of a body that the next record takes from the newest one, which is of
    `revision`: values that were taken out, and what only a later release knows."""
    for reserved in ring.reserved:
        if reserved.since <= revision:
            yield slice(reserved.offset, reserved.offset + reserved.size)
    if revision > ring.revision:
        yield slice(ring.payload_bytes, ring.body_bytes)


def lay_records(image: bytearray, plan: Plan, ring: Ring, body: bytes, revision: int,
                newest: int = 0) -> None:
    """Commit a body to a ring: as many records as it keeps copies, behind number `newest`.

    Raises CodecError as `build_record`.
    """
    for sequence in range(newest + 1, newest + 1 + ring.group.copies):
        at = ring.address(slot_of(sequence, ring.slots))
        image[at:at + ring.record_bytes] = build_record(plan, ring, sequence, body, revision)
