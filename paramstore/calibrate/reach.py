"""What fit and storage make of the measured quantity: over the points, and over the range."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from paramstore.calibrate.leastsq import Array, Fit
from paramstore.calibrate.models import Design, Outputs, Rows

__all__ = ["GRID", "OverRange", "over_range", "shown_spread", "spread_of"]

GRID = 1001
"""Readings, evenly spaced over the range, that are looked at besides the measured ones."""
_STEP = 1e-100
"""Of derivatives: a step along the imaginary axis has no cancellation, so it can be this small."""


@dataclass(frozen=True, slots=True)
class OverRange:
    """The largest standard uncertainty of what the fit gives (None if unknown) and the reading
    where it is, the largest error that storing adds and the reading where it does. `shape` is the
    fitted quantity over the evenly spaced readings."""

    fit_uncertainty: float | None
    uncertain_at: float
    storage_error: float
    storage_at: float
    shape: Array


def over_range(model: Design, fit: Fit, fitted: Outputs, stored: Outputs, rows: Rows,
               low: float, high: float, bends: Array) -> OverRange:
    """Return the errors between two readings, at the coldest and at the warmest measurement.

    `bends` are readings where a curve bends: between two of them it is straight, so nothing in
    between can be larger.
    """
    even = np.linspace(low, high, GRID)
    inside = np.concatenate([rows.reading, bends])
    readings = np.concatenate([even, inside[(low <= inside) & (inside <= high)]])
    uncertainty: float | None = 0.0
    worst, at, uncertain_at = 0.0, low, low
    for warm in sorted({float(rows.temperature.min()), float(rows.temperature.max())}):
        temperature = np.full_like(readings, warm)
        added = np.abs(model.value(stored, readings, temperature)
                       - model.value(fitted, readings, temperature))
        if not np.isfinite(added).all() or added.max() > worst:
            index = int(np.argmax(np.where(np.isfinite(added), added, np.inf)))
            worst, at = float(added[index]), float(readings[index])
        spread = shown_spread(model, fit, readings, temperature)
        if spread is None or uncertainty is None:
            uncertainty = None
        elif spread.max() > uncertainty:
            uncertainty, uncertain_at = float(spread.max()), float(readings[spread.argmax()])
    shape = model.value(fitted, even, np.full_like(even, float(rows.temperature.mean())))
    return OverRange(uncertainty, uncertain_at, worst, at, shape)


def shown_spread(model: Design, fit: Fit, readings: Array, temperature: Array) -> Array | None:
    """Return the standard uncertainties of what the fit gives at some readings, as `spread_of`."""
    return spread_of(partial(_shown, model, readings, temperature), fit)


def _shown(model: Design, readings: Array, temperature: Array, coefficients: Any) -> Any:
    return model.value(model.outputs(coefficients), readings, temperature)


def spread_of(function: Callable[[Any], Any], fit: Fit) -> Array | None:
    """Return the standard uncertainties of numbers computed from the coefficients, to first order
    (GUM, JCGM 100:2008, 5.2); None if those of the coefficients are not known or not finite."""
    if fit.covariance is None:
        return None
    columns = []
    for index in range(len(fit.coefficients)):
        step = np.zeros(len(fit.coefficients), complex)
        step[index] = 1j * _STEP
        columns.append(np.imag(function(fit.coefficients + step)) / _STEP)
    slopes = np.array(columns).T
    variances = np.einsum("...i,ij,...j->...", slopes, fit.covariance, slopes)
    result: Array = np.sqrt(np.maximum(variances, 0.0))
    return result if np.isfinite(result).all() else None
