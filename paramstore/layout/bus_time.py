"""Time on the I2C bus: bits and milliseconds of the transfers a store makes.

A transfer is counted in bits: nine for each byte with its acknowledge, one for each START,
repeated START and STOP. Divided by the clock this is never less than what the specification's
minimum times ask for, so a time given here is one that a correct bus keeps. Must not know what the
bytes mean.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "POLL_BITS",
    "TIMINGS",
    "Timing",
    "bits_ms",
    "least_read_us",
    "least_write_us",
    "read_bits",
    "timing",
    "write_bits",
]

POLL_BITS = 11
"""A device address that nobody acknowledges: START, nine bits, STOP."""


@dataclass(frozen=True, slots=True)
class Timing:
    """The shortest times of one bus mode, in us; `khz` is its highest clock."""

    mode: str
    khz: int
    hd_sta: float  # hold after a START
    low: float
    high: float
    su_sta: float  # set-up of a repeated START
    su_dat: float
    su_sto: float  # set-up of a STOP
    buf: float  # bus free between STOP and START


TIMINGS = (
    Timing("Standard-mode", 100, 4.0, 4.7, 4.0, 4.7, 0.25, 4.0, 4.7),
    Timing("Fast-mode", 400, 0.6, 1.3, 0.6, 0.6, 0.1, 0.6, 1.3),
    Timing("Fast-mode Plus", 1000, 0.26, 0.5, 0.26, 0.26, 0.05, 0.26, 0.5),
)
"""NXP UM10204 (its Table 10, from memory), values as device sheets that cite it restate them."""


def timing(khz: int) -> Timing:
    """Return the slowest mode that allows a clock of `khz`, the fastest one beyond 1000 kHz."""
    return next((t for t in TIMINGS if khz <= t.khz), TIMINGS[-1])


def write_bits(address_bytes: int, count: int) -> int:
    """Return the bits of a write of `count` bytes to a memory address of `address_bytes`."""
    return 9 * (1 + address_bytes + count) + 2


def read_bits(address_bytes: int, count: int) -> int:
    """Return the bits of a read of `count` bytes from a memory address (repeated START)."""
    return 9 * (2 + address_bytes + count) + 3


def bits_ms(bits: float, khz: int) -> float:
    """Return how long `bits` take, in ms."""
    return bits / khz


def least_write_us(address_bytes: int, count: int, khz: int) -> float:
    """Return the least time of such a write in us: its clocks and the mode's minimum times."""
    t = timing(khz)
    clocks = write_bits(address_bytes, count) - 2
    return clocks * 1000 / khz + t.hd_sta + t.su_sto + t.buf


def least_read_us(address_bytes: int, count: int, khz: int) -> float:
    """Return the least time of such a read in us: its clocks and the mode's minimum times."""
    t = timing(khz)
    clocks = read_bits(address_bytes, count) - 3
    return clocks * 1000 / khz + 2 * t.hd_sta + t.su_sta + t.su_sto + t.buf
