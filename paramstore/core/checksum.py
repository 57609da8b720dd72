"""The CRC of labels and records, CRC-32C (Castagnoli), and CRCs of any other description.

The only use of crcmod. Parameters of CRC-32C: polynomial 0x1EDC6F41, initial value and final XOR
0xFFFFFFFF, bits reflected; the check value over ASCII "123456789" is 0xE3069283 (catalogued as
CRC-32/ISCSI). Chosen for its Hamming distance: 6 up to 655 data bytes, 4 beyond (see
`layout.strength`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from crcmod import mkCrcFun

__all__ = ["CRC_WIDTHS", "REVERSED_POLYNOMIAL", "Crc", "crc32c"]

REVERSED_POLYNOMIAL = 0x82F63B78
"""The polynomial with its bits reversed, for a register that is shifted right."""

_crc = mkCrcFun(0x11EDC6F41, initCrc=0, rev=True, xorOut=0xFFFFFFFF)


def crc32c(data: bytes) -> int:
    """Return the CRC-32C of `data` as an unsigned 32-bit integer."""
    return int(_crc(data))


CRC_WIDTHS = (8, 16, 24, 32, 64)
"""Bits of a CRC that can be computed here."""


@dataclass(frozen=True, slots=True)
class Crc:
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
