"""Which points do not belong: told, never taken out.

Rule: a point is an outlier if so large a residual would turn up by chance, somewhere among all
points, in fewer than 1 of 20 tables. With given uncertainties the residual is measured against
its own; without, against the scatter of the other points (externally studentised residuals,
Student's t), with the chance of one point multiplied by their number (Bonferroni). After
R. D. Cook and S. Weisberg, Residuals and Influence in Regression, 1982, chapter 2 (from memory).
"""

from __future__ import annotations

import math

import numpy as np

from paramstore.calibrate.chances import chi_square_tail, normal_tails, student_tails
from paramstore.calibrate.leastsq import Array, Fit

__all__ = ["CHANCE", "CHI_SQUARE_CHANCE", "chances", "exact", "misjudged"]

CHANCE = 0.05
CHI_SQUARE_CHANCE = 0.01
_EXACT = 1e-12


def exact(fit: Fit, target: Array) -> bool:
    """Return whether the points lie on the model but for rounding: nothing can be told then."""
    return bool(np.abs(fit.residuals).max() <= _EXACT * np.abs(target).max())


def chances(fit: Fit, target: Array, sigma: Array | None) -> list[float | None]:
    """Return for each point how likely so large a residual is in any of them, at most 1.

    `sigma` are the standard uncertainties of the target. None: the fit goes through the point
    whatever it says, or too few points are left to judge it by.
    """
    if exact(fit, target):
        return [None] * len(target)
    return [_chance(fit, i, None if sigma is None else float(sigma[i]))
            for i in range(len(target))]


def misjudged(fit: Fit, sigma: Array | None) -> float | None:
    """Return the ratio of scatter to given uncertainties if chance hardly makes it so large."""
    if sigma is None or not fit.freedom:
        return None
    total = float(((fit.residuals / sigma)**2).sum())
    if chi_square_tail(total, fit.freedom) >= CHI_SQUARE_CHANCE:
        return None
    return math.sqrt(total / fit.freedom)


def _chance(fit: Fit, index: int, sigma: float | None) -> float | None:
    free, residual = 1 - float(fit.leverage[index]), float(fit.residuals[index])
    points = len(fit.residuals)
    if free < 1e-9:
        return None
    if sigma is not None:
        one = normal_tails(residual / (sigma * math.sqrt(free)))
    elif fit.freedom < 2 or fit.scale is None:
        return None
    else:
        others = fit.scale**2 * fit.freedom - residual**2 / free
        t = math.inf if others <= 0 else residual * math.sqrt((fit.freedom - 1) / (others * free))
        one = student_tails(t, fit.freedom - 1)
    return min(1.0, points * one)
