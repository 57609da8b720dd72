"""Platinum resistance thermometers: the equation of IEC 60751:2008 (Callendar and Van Dusen)."""

from __future__ import annotations

from typing import Any

__all__ = ["IEC_60751", "temperature_of"]

IEC_60751 = (3.9083e-3, -5.775e-7, -4.183e-12)
"""a in 1/K, b in 1/K^2, c in 1/K^4, of R/r0 = 1 + a t + b t^2 + c (t - 100) t^3; the last term
below 0 degC only."""
_STEPS = 8
"""Of Newton's method: from a straight line to the last digit between -200 and 850 degC."""


def temperature_of(ratio: Any, a: Any, b: Any, c: Any) -> Any:
    """Return the temperature in degC for an array of R/r0, real or complex."""
    t = (ratio - 1) / a
    cold = ratio.real < 1
    for _ in range(_STEPS):
        below = c * cold
        r = 1 + a * t + b * t**2 + below * (t - 100) * t**3
        t = t + (ratio - r) / (a + 2 * b * t + below * (4 * t - 300) * t**2)
    return t
