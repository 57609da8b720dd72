"""The CRC of labels and records, CRC-32C (Castagnoli), and CRCs of any other description.

The only use of crcmod. Parameters of CRC-32C: polynomial 0x1EDC6F41, initial value and final XOR
0xFFFFFFFF, bits reflected; the check value over ASCII "123456789" is 0xE3069283 (catalogued as
CRC-32/ISCSI). Chosen for its Hamming distance: 6 up to 655 data bytes, 4 beyond (see
`layout.strength`).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, lru_cache
from typing import NamedTuple

from crcmod import mkCrcFun

__all__ = ["CRC_WIDTHS", "REVERSED_POLYNOMIAL", "Crc", "crc32c", "register_before"]

REVERSED_POLYNOMIAL = 0x82F63B78
"""The polynomial with its bits reversed, for a register that is shifted right."""

_ALL_ONES = 0xFFFFFFFF

_crc = mkCrcFun(0x11EDC6F41, initCrc=0, rev=True, xorOut=0xFFFFFFFF)


def crc32c(data: bytes) -> int:
    """Return the CRC-32C of `data` as an unsigned 32-bit integer."""
    return int(_crc(data))


def register_before(crc: int, data: bytes) -> int:
    """Return the register with which `data` gives a CRC-32C: the same steps, run backwards."""
    register = crc ^ _ALL_ONES
    for byte in reversed(data):
        # The top byte tells which row of the CRC table was put over the register.
        low, row = _rows_by_top_byte()[register >> 24]
        register = (register ^ row) << 8 & _ALL_ONES | low
        register ^= byte
    return register


@cache
def _rows_by_top_byte() -> dict[int, tuple[int, int]]:
    """Return for the top byte of each row of the CRC table its index and the row; the rows differ
    in their top bytes."""
    rows = {}
    for index in range(256):
        row = index
        for _ in range(8):
            row = row >> 1 ^ (REVERSED_POLYNOMIAL if row & 1 else 0)
        rows[row >> 24] = index, row
    return rows


CRC_WIDTHS = (8, 16, 24, 32, 64)
"""Bits of a CRC that can be computed here."""


class Crc(NamedTuple):
    """A CRC by its parameters, named as the catalogues do: `polynomial` without its highest bit,
    written highest power first; `initial` is the register before the first byte, `final` is put
    over the result with exclusive or. `reflected`: bytes enter and the result leaves lowest bit
    first. `width` is one of CRC_WIDTHS; all other numbers fit in it."""

    width: int
    polynomial: int
    initial: int = 0
    final: int = 0
    reflected: bool = False

    def of(self, data: bytes) -> int:
        """Return the CRC of `data`."""
        return _function(self)(data)


@lru_cache
def _function(crc: Crc) -> Callable[[bytes], int]:
    # crcmod wants the register as it leaves, after the exclusive or.
    function: Callable[[bytes], int] = mkCrcFun(
        1 << crc.width | crc.polynomial, initCrc=crc.initial ^ crc.final, rev=crc.reflected,
        xorOut=crc.final)
    return function
