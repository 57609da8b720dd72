"""Fits that are not least squares of the reference alone.

`fit_both_axes`: the readings are uncertain, too, so each error is weighed by what both axes leave
open.

With the standard uncertainty u_x of a reading and u_y of a reference, an error has the variance
u_y^2 + (slope u_x)^2, and the slope is that of the fitted model: so it is part of what is
minimised, and it does not come out too small, as it does from least squares of the reference alone.
For a straight line these are the equations of D. York, Canadian Journal of Physics 44 (1966), 1079
(from memory).

`least_largest`: the largest error is the least attainable.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares as minimised
from scipy.optimize import linprog

from paramstore.calibrate.leastsq import Array, Fit, Numbers, least_squares
from paramstore.calibrate.models import Design, Rows
from paramstore.calibrate.reach import STEP

__all__ = ["fit_both_axes", "least_largest"]

_STEP = 1e-6
"""Of the span of the readings, for slopes."""
_STEPS, _ENOUGH = 20, 1e-12
"""Of Gauss and Newton, and the change of parameters in parts of their uncertainties that ends them.
"""


def fit_both_axes(design: Design, rows: Rows, start: Fit, noise: float,
                  sigma: Array | None) -> tuple[Fit, Array]:
    """Return the fit, and the standard uncertainties of the targets that it comes to.

    `noise`: standard uncertainty of a reading, in the unit of the model; `sigma`: those of the
    targets from the references alone, none if None. `start` is any fit of the same columns.
    """
    step = _STEP * float(np.ptp(rows.reading))
    spread = np.abs(design.spread)
    own = np.zeros_like(spread) if sigma is None else sigma / spread

    def uncertainty(coefficients: Numbers) -> Numbers:
        out = design.outputs(coefficients)
        above, below = (design.value(out, rows.reading + d, rows.temperature)
                        for d in (step, -step))
        slope = (above - below) / (2 * step)
        total: Numbers = np.sqrt(own**2 + (slope * noise)**2 + np.finfo(float).tiny)
        return total

    # In parts of their uncertainties the coefficients are all of one size.
    size = np.maximum(np.abs(start.coefficients), 1e-300) if start.covariance is None else np.sqrt(
        np.diag(start.covariance))
    size = np.where(size > 0, size, 1.0)

    def errors(parts: Numbers) -> Numbers:
        coefficients = start.coefficients + parts * size
        shown = design.value(design.outputs(coefficients), rows.reading, rows.temperature)
        off: Numbers = (shown - rows.reference) / uncertainty(coefficients)
        return off

    found = minimised(errors, np.zeros_like(size), jac="3-point", method="lm", xtol=1e-12,
                      ftol=1e-14, gtol=1e-14)
    best = start.coefficients + _polished(errors, found.x) * size
    both = np.real(uncertainty(best)) * spread
    fit = least_squares(design.columns, design.target, both)
    residuals = design.target - design.columns @ best
    scale = float(np.sqrt(((residuals / both)**2).sum() / fit.freedom)) if fit.freedom else None
    return replace(fit, coefficients=best, residuals=residuals, scale=scale), both


def _polished(errors: Callable[[Numbers], Numbers], parts: Array) -> Array:
    """Return a minimum of the squares of `errors` to the last digits, which their sum, flat there,
    does not show: steps of Gauss and Newton, with exact slopes."""
    for _ in range(_STEPS):
        slopes = np.array([np.imag(errors(parts + 1j * STEP * one)) / STEP
                           for one in np.eye(len(parts))]).T
        if not np.isfinite(slopes).all():
            break
        change, *_ = np.linalg.lstsq(slopes, -np.real(errors(parts)), rcond=None)
        parts = parts + change
        if np.abs(change).max() < _ENOUGH:
            break
    return parts


def least_largest(columns: Array, target: Array, spread: Array, fit: Fit) -> Fit:
    """Return the fit with the coefficients of the least largest |target - columns @ c| / |spread|.

    A linear program, solved exactly. For a limit on every error this is the fit that leaves most
    of it; for the mean error it is worse than least squares. One wrong point decides all of it.

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
