"""Records of another store: which store id would make their CRC right.

The store id leads the CRC of a record and is not stored. A CRC register can be run backwards, so
for any bytes there is exactly one store id that makes them a record: one record proves nothing,
but two that agree, or one that agrees with a label, do.
"""

from __future__ import annotations

from functools import cache

from paramstore.core.checksum import CRC_BYTES, REVERSED_POLYNOMIAL

__all__ = ["store_id_of"]

_ALL_ONES = 0xFFFFFFFF


def store_id_of(record: bytes, group_id: int) -> int:
    """Return the store id with which `record` is one of the group `group_id`, its CRC right."""
    register = int.from_bytes(record[-CRC_BYTES:], "little") ^ _ALL_ONES
    for byte in reversed(bytes([group_id]) + record[:-CRC_BYTES]):
        register = _before(register) ^ byte
    # The first four bytes meet the initial value of the register bit by bit.
    for _ in range(4):
        register = _before(register)
    return register ^ _ALL_ONES


def _before(register: int) -> int:
    """Return the register eight steps earlier, the byte of these steps taken as 0."""
    low, rest = _undo()[register >> 24]
    return (register ^ rest) << 8 & _ALL_ONES | low


@cache
def _undo() -> dict[int, tuple[int, int]]:
    """Return for the top byte of a register: the index of the table row that was put over it, and
    the row. The rows of the CRC table differ in their top bytes, so the top byte tells."""
    rows = {}
    for index in range(256):
        row = index
        for _ in range(8):
            row = row >> 1 ^ (REVERSED_POLYNOMIAL if row & 1 else 0)
        rows[row >> 24] = index, row
    return rows
