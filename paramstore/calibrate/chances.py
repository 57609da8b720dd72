"""How likely a residual or a sum of them is by chance: the few tail probabilities that are needed.

Closed forms for whole degrees of freedom (Abramowitz and Stegun, Handbook of Mathematical
Functions, 26.4.4, 26.4.5, 26.7.3 and 26.7.4), so that no statistics library is.
"""

from __future__ import annotations

import math

__all__ = ["chi_square_tail", "normal_tails", "student_tails"]


def normal_tails(z: float) -> float:
    """Return the chance of a standard normal value at least as far from 0 as `z`."""
    return math.erfc(abs(z) / math.sqrt(2))


def student_tails(t: float, freedom: int) -> float:
    """Return the chance of a value of Student's t at least as far from 0 as `t`."""
    angle = math.atan2(abs(t), math.sqrt(freedom))
    cosine, sine = math.cos(angle), math.sin(angle)
    odd = freedom % 2
    term, total = (cosine if odd else 1.0), 0.0
    for k in range(1 + odd, freedom, 2):
        total += term
        term *= cosine**2 * k / (k + 1)
    inside = 2 / math.pi * (angle + sine * total) if odd else sine * total
    return max(0.0, 1 - inside)


def chi_square_tail(chi_square: float, freedom: int) -> float:
    """Return the chance of a chi-square at least as large as this."""
    half = chi_square / 2
    if half <= 0:
        return 1.0
    total = math.erfc(math.sqrt(half)) if freedom % 2 else 0.0
    for twice in range(freedom % 2, freedom, 2):
        power = twice / 2
        # In logarithms: with many points both factors leave the range of floats.
        total += math.exp(power * math.log(half) - half - math.lgamma(power + 1)) if twice else (
            math.exp(-half))
    return min(1.0, total)
