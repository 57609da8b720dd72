"""Linear least squares: coefficients, their covariance, and what each point weighs in them.

The columns are scaled to one length before their singular values are taken, so that volts and
their cubes can stand beside each other. Knows matrices, not models.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Array", "Fit", "Numbers", "RankError", "least_squares"]

Array = NDArray[np.float64]
Numbers = NDArray[np.inexact]
"""Real, or complex where a derivative is taken along the imaginary axis."""


class RankError(Exception):
    """The points do not determine the coefficients; caught where the points are known."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A fit of n points by p coefficients.

    `residuals`: target minus fitted, not weighted. `leverage`: how much of its own fitted value a
    point decides, 0 to 1. `scale`: residual standard deviation of a point of weight 1; None if
    n = p. `covariance` is that of the coefficients: absolute if the weights are, else scaled by
    the residuals, and None if there is neither. `response` (p x n) makes coefficients of targets.
    """

    coefficients: Array
    covariance: Array | None
    residuals: Array
    leverage: Array
    freedom: int
    scale: float | None
    response: Array


def least_squares(columns: Array, target: Array, sigma: Array | None = None) -> Fit:
    """Return the coefficients that make the sum of ((target - columns @ c) / sigma)^2 smallest.

    `columns` is n x p, `target` and `sigma` have n elements; without `sigma` all points weigh
    the same. RankError if fewer than p columns are independent of each other.
    """
    weights = np.ones(len(target)) if sigma is None else 1.0 / sigma
    weighted = columns * weights[:, None]
    lengths = np.sqrt((weighted**2).sum(axis=0))
    if not lengths.all():
        raise RankError
    left, singular, right = np.linalg.svd(weighted / lengths, full_matrices=False)
    if singular[-1] <= singular[0] * max(columns.shape) * np.finfo(float).eps:
        raise RankError
    inverse = right.T / singular / lengths[:, None]  # of the weighted columns, without `left`
    coefficients = inverse @ (left.T @ (target * weights))
    # One step of refinement takes off most of the rounding of the first solution.
    coefficients += inverse @ (left.T @ ((target - columns @ coefficients) * weights))
    residuals = target - columns @ coefficients
    freedom = len(target) - columns.shape[1]
    scale = float(np.sqrt(((residuals * weights)**2).sum() / freedom)) if freedom else None
    size = 1.0 if sigma is not None else scale
    covariance = None if size is None else (inverse * size) @ (inverse * size).T
    leverage = (left**2).sum(axis=1)
    return Fit(coefficients, covariance, residuals, leverage, freedom, scale,
               inverse @ (left.T * weights))
