"""Coefficients whose largest error is the least attainable: a linear program, solved exactly.

For a limit on every error this is the fit that leaves most of it; for the mean error it is worse
than least squares. One wrong point decides all of it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.optimize import linprog

from paramstore.calibrate.leastsq import Array, Fit

__all__ = ["least_largest"]


def least_largest(columns: Array, target: Array, spread: Array, fit: Fit) -> Fit:
    """Return the fit with the coefficients of the least largest |target - columns @ c| / |spread|.

    Everything else is as in `fit`, that of least squares, which stands if there is no solution.
    """
    weight = 1 / np.abs(spread)
    scaled = columns * weight[:, None]
    # What is missing from least squares: small numbers, all of one size.
    left = fit.residuals * weight
    size = float(np.abs(left).max())
    if size == 0:
        return fit
    ones = np.ones((len(target), 1))
    found = linprog(np.append(np.zeros(columns.shape[1]), 1.0),
                    A_ub=np.block([[scaled, -ones], [-scaled, -ones]]),
                    b_ub=np.concatenate([left, -left]) / size, bounds=(None, None))
    if not found.success:
        return fit
    coefficients = fit.coefficients + found.x[:-1] * size
    return replace(fit, coefficients=coefficients, residuals=target - columns @ coefficients)
