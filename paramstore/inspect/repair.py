"""Small errors: which one or two bits, changed back, make a record whole again.

A CRC is linear: a changed bit changes it by a pattern, the bit's syndrome, that depends only on
the distance of the bit from the end. The syndrome of an error is the exclusive or of those of its
bits, so one bit is a look-up and two are one look-up for each bit. Up to 655 data bytes no other
error of two bits has the same syndrome (the Hamming distance is 6, see `checksum`); random bytes
pass for one with two changed bits once in 2^32 / (n (n - 1) / 2), for n bits.

What is found is offered. Nothing here changes a dump.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from paramstore.core.checksum import REVERSED_POLYNOMIAL
from paramstore.core.format import CRC_BYTES
from paramstore.layout.plan import Plan, Ring
from paramstore.record import RecordParts, record_crc, sequence_of, split_record

__all__ = ["Bit", "Repair", "find_repair"]


class Bit(NamedTuple):
    """One bit of a record: byte offset and bit number, 0 the lowest."""

    offset: int
    bit: int


class Repair(NamedTuple):
    """The bits that would have to change, in order, and the whole record with them changed."""

    bits: tuple[Bit, ...]
    data: bytes

    @property
    def sequence(self) -> int:
        """The number of the record that it makes."""
        return sequence_of(self.data)

    @property
    def record(self) -> RecordParts:
        """The record that it makes."""
        return split_record(self.data)


def find_repair(plan: Plan, ring: Ring, data: bytes) -> Repair | None:
    """Return the change of one bit, or else of two, that makes `data` a record of `ring` with a
    right CRC; None if there is none. `data` has the bytes of a record. Its number is not looked at.
    """
    stored, right = data[-CRC_BYTES:], record_crc(plan, ring, data[:-CRC_BYTES])
    error = int.from_bytes(stored, "little") ^ int.from_bytes(right, "little")
    if error == 0:
        return None
    syndromes, bits = _syndromes(8 * len(data))
    if error in bits:
        return _repair(data, (bits[error],))
    for number, syndrome in enumerate(syndromes):
        other = bits.get(error ^ syndrome)
        if other is not None and other != number:
            return _repair(data, (number, other))
    return None


def _repair(data: bytes, numbers: tuple[int, ...]) -> Repair:
    mended, bits = bytearray(data), []
    for number in numbers:
        offset, bit = divmod(8 * len(data) - 1 - number, 8)
        mended[offset] ^= 1 << bit
        bits.append(Bit(offset, bit))
    return Repair(tuple(sorted(bits, key=lambda b: (b.offset, b.bit))), bytes(mended))


@lru_cache
def _syndromes(count: int) -> tuple[tuple[int, ...], dict[int, int]]:
    """Return the syndromes of the last `count` bits of a record, the last one first, and the
    number of a bit by its syndrome. Bits of a byte go over the register from the lowest on, so the
    last bit of a record is the highest of its last byte."""
    stored = [1 << bit for bit in reversed(range(8 * CRC_BYTES))]
    syndromes, register = stored, REVERSED_POLYNOMIAL
    while len(syndromes) < count:
        syndromes.append(register)
        register = register >> 1 ^ (REVERSED_POLYNOMIAL if register & 1 else 0)
    return tuple(syndromes), {s: n for n, s in enumerate(syndromes)}
