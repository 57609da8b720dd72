"""Which points do not belong: told, never taken out.

Rule: a point is an outlier if so large a residual would turn up by chance, somewhere among all
points, in fewer than 1 of 20 tables. With given uncertainties the residual is measured against
its own; without, or where all residuals are larger than the uncertainties say, against the scatter
of the other points (externally studentised residuals, Student's t). The chance of one point is
multiplied by their number (Bonferroni). After R. D. Cook and S. Weisberg, Residuals and Influence
in Regression, 1982, chapter 2 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.special import chdtrc, ndtr, stdtr

from paramstore.calibrate.leastsq import Array, Fit

__all__ = ["CHANCE", "CHI_SQUARE_CHANCE", "LARGE", "chances", "exact", "misjudged", "widened"]

CHANCE = 0.05
CHI_SQUARE_CHANCE = 0.01
LARGE = 20
"""Standard deviations: a point where not even such an error is told cannot be judged (ours)."""
_EXACT = 1e-12


def exact(fit: Fit, target: Array) -> bool:
    """Return whether the points lie on the model but for rounding: nothing can be told then."""
    return bool(np.abs(fit.residuals).max() <= _EXACT * np.abs(target).max())


def chances(fit: Fit, target: Array, sigma: Array | None) -> list[float | None]:
    """Return for each point how likely so large a residual is in any of them, at most 1.

    `sigma` are the standard uncertainties of the target. None: the point cannot be judged,
    because the fit goes through it whatever it says, or too few others are left.
    """
    if exact(fit, target):
        return [None] * len(target)
    known = sigma is not None and misjudged(fit, sigma) is None
    weighted = fit.residuals if sigma is None else fit.residuals / sigma
    return [_chance(fit, float(residual), 1 - float(leverage), known)
            for residual, leverage in zip(weighted, fit.leverage, strict=True)]


def misjudged(fit: Fit, sigma: Array | None) -> float | None:
    """Return the ratio of scatter to given uncertainties if chance hardly makes it so large."""
    if sigma is None or fit.scale is None:
        return None
    if chdtrc(fit.freedom, fit.scale**2 * fit.freedom) >= CHI_SQUARE_CHANCE:
        return None
    return fit.scale


def widened(fit: Fit, sigma: Array | None) -> Fit:
    """Return a fit whose covariance is not smaller than the scatter says.

    If chance hardly makes the scatter as large as it is against the given uncertainties, the
    covariance is multiplied by the square of their ratio. After R. T. Birge, The Calculation of
    Errors by the Method of Least Squares, Phys. Rev. 40 (1932), 207 (from memory).
    """
    ratio = misjudged(fit, sigma)
    if ratio is None or fit.covariance is None:
        return fit
    return replace(fit, covariance=fit.covariance * ratio**2)


def _chance(fit: Fit, residual: float, free: float, known: bool) -> float | None:
    """Return the chance of a residual in units of its uncertainty, which is 1 if it is `known`.

    `free` is 1 minus the leverage: the part of its error that shows in a residual.
    """
    points = len(fit.residuals)
    if free < 1e-9:
        return None
    if not known and (fit.freedom < 2 or fit.scale is None):
        return None
    freedom = None if known else fit.freedom - 1
    t = residual / math.sqrt(free)
    if freedom is not None and fit.scale is not None:
        others = fit.scale**2 * fit.freedom - residual**2 / free
        t = math.inf if others <= 0 else t * math.sqrt(freedom / others)
    chance = points * _tails(t, freedom)
    blind = points * _tails(LARGE * math.sqrt(free), freedom)
    return None if blind >= CHANCE <= chance else min(1.0, chance)


def _tails(t: float, freedom: int | None) -> float:
    """Return the chance of a value at least as far from 0: a normal one, or Student's t."""
    return float(2 * (ndtr(-abs(t)) if freedom is None else stdtr(freedom, -abs(t))))
