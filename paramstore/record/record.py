"""Records: a sequence number, a revision, a body and a CRC (FORMAT.md, 3 and 4)."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from paramstore.core.checksum import CRC_BYTES, crc32c, record_prefix
from paramstore.core.format import ERASED, SEQUENCE_END, slot_of
from paramstore.layout.plan import Plan, Ring
from paramstore.record.shapes import record_shape

__all__ = ["Record", "RecordState", "build_record", "read_record"]


class RecordState(StrEnum):
    """What the bytes of a slot are. Only a VALID record can be the newest one."""

    VALID = "valid"
    ERASED = "erased"  # every byte of the record is FF
    SHORT = "short"  # the bytes given end before the record does
    BAD_CRC = "wrong CRC"
    NO_NUMBER = "no sequence number"  # the CRC is right, but 0, and from D0000000 on, is no number
    MISPLACED = "misplaced"  # the CRC is right, but the number belongs in another slot


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


def build_record(plan: Plan, ring: Ring, sequence: int, body: bytes,
                 revision: int | None = None) -> bytes:
    """Return the `ring.record_bytes` bytes of a record.

    `revision` is that of the ring if it is None. Raises CodecError if a part does not fit.
    """
    front = record_shape(ring.body_bytes).build({
        "sequence": sequence,
        "revision": ring.revision if revision is None else revision,
        "body": body,
    })
    return front + _crc(plan, ring, front)


def read_record(plan: Plan, ring: Ring, slot: int, data: bytes) -> Record:
    """Return what the record in `slot` of `ring` says; `data` begins where the slot does.

    Never fails: what is wrong is told by `state`, the first that applies in the order in which
    `RecordState` lists them.
    """
    data = data[:ring.record_bytes]
    if len(data) < ring.record_bytes:
        return Record(0, 0, b"", RecordState.SHORT)
    parts = record_shape(ring.body_bytes).parse(data)
    if data.count(ERASED) == len(data):
        state = RecordState.ERASED
    elif data[-CRC_BYTES:] != _crc(plan, ring, data[:-CRC_BYTES]):
        state = RecordState.BAD_CRC
    elif not 0 < parts["sequence"] < SEQUENCE_END:
        state = RecordState.NO_NUMBER
    elif slot_of(parts["sequence"], ring.slots) != slot:
        state = RecordState.MISPLACED
    else:
        state = RecordState.VALID
    return Record(parts["sequence"], parts["revision"], parts["body"], state)


def _crc(plan: Plan, ring: Ring, front: bytes) -> bytes:
    crc = crc32c(record_prefix(plan.store_id, ring.group.id) + front)
    return crc.to_bytes(CRC_BYTES, "little")
