"""What physics asks for: time on the bus, wear of the cells, current while the supply falls.

Time. A transfer is counted in bits: nine for each byte with its acknowledge, one for each START,
repeated START and STOP. Divided by the clock this is never less than what the specification's
minimum times ask for, so a time given here is one that a correct bus keeps. Must not know what the
bytes mean.

Wear. Endurance counts page writes; a maker's figure is a statistical statement about a device, not
the moment at which it fails. A ring is here a number of slots.

Hold-up. How much capacitance ends a started page write after the supply has gone: C = I t / dV, the
maker's formula for a hold-up capacitor (MAX801/MAX808 data sheet, p. 9), and then a derating for
tolerance, temperature and ageing. Assumed: the current stays constant, the supply is seen to fail
at `supply_v` and no page write is started after that, and the controller works, or at least does
not disturb the bus, down to the part's minimum supply.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

from paramstore.schema.part import Part

__all__ = [
    "ACTIVATION_EV",
    "CONTROLLER_MA",
    "DAYS_PER_YEAR",
    "DERATING",
    "POLL_BITS",
    "TIMINGS",
    "HoldUp",
    "Timing",
    "bits_ms",
    "capacitance_uf",
    "endurance_at",
    "hold_up",
    "least_read_us",
    "least_write_us",
    "life_years",
    "read_bits",
    "timing",
    "write_bits",
]

POLL_BITS = 11
"""A device address that nobody acknowledges: START, nine bits, STOP."""


class Timing(NamedTuple):
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


CONTROLLER_MA = 10.0
"""Current of the controller and whatever else hangs on the capacitor, mA, if nothing better is
known: a 32-bit microcontroller at some tens of MHz (common practice)."""

DERATING = 0.8
"""Share of the printed capacitance that is left in the worst case (common practice)."""


class HoldUp(NamedTuple):
    """What one page write needs. `capacitance_uf` is None where the supply has no room to fall."""

    time_ms: float
    current_ma: float
    from_v: float
    to_v: float
    capacitance_uf: float | None


def capacitance_uf(
    current_ma: float, time_ms: float, drop_v: float, derating: float = 1.0
) -> float:
    """Return the uF that carry a current for a time while the supply falls by `drop_v`."""
    return current_ma * time_ms / drop_v / derating


def hold_up(
    part: Part, supply_v: float, bus_khz: int, controller_ma: float = CONTROLLER_MA
) -> HoldUp:
    """Return what a page write needs: its transfer and the longest write cycle."""
    time_ms = bits_ms(write_bits(part.address_bytes, part.page), bus_khz) + part.write_ms
    current_ma = part.write_ma + controller_ma
    drop_v = supply_v - part.supply_min_v
    return HoldUp(
        time_ms, current_ma, supply_v, part.supply_min_v,
        capacitance_uf(current_ma, time_ms, drop_v, DERATING) if drop_v > 0 else None,
    )


DAYS_PER_YEAR = 365.25

ACTIVATION_EV = 0.202
"""Activation energy of wear, eV: least-squares fit of ln(cycles) over 1/T to the four points of
ST's M95256-A125/A145 sheet (4 M cycles at 25 degC, 1.2 M at 85, 600 k at 125, 400 k at 145)."""

_BOLTZMANN_EV_PER_K = 8.617333e-5
_KELVIN = 273.15


def endurance_at(part: Part, celsius: float) -> float:
    """Return the write cycles that a page of `part` takes at a temperature.

    Between two points of the data sheet the logarithm of the cycles is linear in 1/T; above the
    last one it falls by Arrhenius' law with `ACTIVATION_EV`; below the first nothing is added.
    """
    points = part.endurance
    if celsius <= points[0][0]:
        return points[0][1]
    for (cold, cold_cycles), (hot, hot_cycles) in itertools.pairwise(points):
        if celsius <= hot:
            share = _inverse_kelvin(cold, celsius) / _inverse_kelvin(cold, hot)
            return float(cold_cycles * (hot_cycles / cold_cycles) ** share)
    last, cycles = points[-1]
    return cycles * math.exp(-ACTIVATION_EV / _BOLTZMANN_EV_PER_K * _inverse_kelvin(last, celsius))


def _inverse_kelvin(cold: float, hot: float) -> float:
    """Return 1/T(cold) - 1/T(hot) in 1/K, for temperatures in degC."""
    return 1 / (cold + _KELVIN) - 1 / (hot + _KELVIN)


def life_years(cycles: float, slots: int, records_per_day: float) -> float:
    """Return the years until each of `slots` slots has taken `cycles` records; inf if none come.

    The records of a ring go to its slots in turn, so every page of a slot wears alike.
    """
    if records_per_day == 0:
        return math.inf
    return cycles * slots / records_per_day / DAYS_PER_YEAR
