"""What the CRC of a record detects: Hamming distance by length, and the odds of a random page.

The distances are facts about polynomials, not computed here; tests verify what is small enough.
"""

from __future__ import annotations

from typing import NamedTuple

from paramstore.core.format import CRC_BYTES

__all__ = ["CRC_16", "CRC_32C", "Detection", "Strength", "strength"]


class Detection(NamedTuple):
    """A CRC as a detector. `limits` are (Hamming distance, most data bits at which it holds),
    falling in distance: every error of fewer wrong bits than the distance is found."""

    name: str
    width: int
    limits: tuple[tuple[int, int], ...]

    @property
    def pass_odds(self) -> float:
        """Odds that random content passes."""
        return 2.0**-self.width

    def distance(self, data_bits: int) -> int:
        """Return the Hamming distance at that many data bits (without the CRC itself)."""
        return next((d for d, most in self.limits if data_bits <= most), 2)


CRC_32C = Detection("CRC-32C", 32, ((8, 177), (6, 5243), (4, 2147483615)))
"""Polynomial 0x1EDC6F41, 0x8F6E37A0 in the notation of P. Koopman's tables. Computed from the
weights of its code words; 5243 is also Koopman's published figure (from memory). Up to 177 bits
the distance is 8 at least."""

CRC_16 = Detection("CRC-16/CCITT", 16, ((4, 32751),))
"""Polynomial 0x1021 (Koopman 0x8810), the usual 16-bit choice, for comparison. Computed: the order
of x modulo the polynomial is 32767."""


class Strength(NamedTuple):
    """What is detected in records of one length, by the CRC-32C and by a CRC-16 in its place."""

    data_bits: int
    distance: int
    pass_odds: float
    distance_16: int
    pass_odds_16: float


def strength(record_bytes: int) -> Strength:
    """Return the error detection of records of `record_bytes`, CRC included.

    Only stored bytes can go wrong, and whether a CRC finds an error does not depend on right
    bytes before it: so the ids that lead the CRC without being stored do not count as length.
    """
    bits = 8 * (record_bytes - CRC_BYTES)
    return Strength(bits, CRC_32C.distance(bits), CRC_32C.pass_odds,
                    CRC_16.distance(bits), CRC_16.pass_odds)
