"""How long the cells last: endurance at a temperature, and the life of a ring of slots.

Endurance counts page writes; a maker's figure is a statistical statement about a device, not the
moment at which it fails. Must not know layouts: a ring is here a number of slots.
"""

from __future__ import annotations

import itertools
import math

from paramstore.schema.part import Part

__all__ = ["ACTIVATION_EV", "DAYS_PER_YEAR", "endurance_at", "life_years"]

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
