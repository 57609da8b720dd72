"""What fit and storage make of the measured quantity: over the points, and over the range."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from paramstore.calibrate.leastsq import Array, Fit, Numbers
from paramstore.calibrate.models import Design, Outputs, Rows

__all__ = ["GRID", "STEP", "OverRange", "over_range", "shown_spread", "spread_of"]

GRID = 1001
"""Readings, evenly spaced over the range, that are looked at besides the measured ones."""
STEP = 1e-100
"""Of derivatives: a step along the imaginary axis has no cancellation, so it can be this small."""


@dataclass(frozen=True, slots=True)
class OverRange:
    """The largest error that storing adds, and the reading where it does. `readings` and
    `temperature` are where that was looked for; `shape` is the fitted quantity over the evenly
    spaced readings."""

    readings: Array
    temperature: Array
    storage_error: float
    storage_at: float
    shape: Array


def over_range(model: Design, fitted: Outputs, stored: Outputs, rows: Rows,
               low: float, high: float, bends: Array) -> OverRange:
    """Return the errors between two readings, at the coldest and at the warmest measurement.

    `bends` are readings where a curve bends: between two of them it is straight, so nothing in
    between can be larger.
    """
    even = np.linspace(low, high, GRID)
    inside = np.concatenate([rows.reading, bends])
    one = np.concatenate([even, inside[(low <= inside) & (inside <= high)]])
    warm = sorted({float(rows.temperature.min()), float(rows.temperature.max())})
    readings, temperature = np.tile(one, len(warm)), np.repeat(warm, len(one))
    added = np.abs(model.value(stored, readings, temperature)
                   - model.value(fitted, readings, temperature))
    worst = int(np.argmax(np.where(np.isfinite(added), added, np.inf)))
    shape = np.asarray(model.value(fitted, even, np.full_like(even, rows.temperature.mean())),
                       np.float64)
    return OverRange(readings, temperature, float(added[worst]), float(readings[worst]), shape)


def shown_spread(model: Design, fit: Fit, readings: Array, temperature: Array) -> Array | None:
    """Return the standard uncertainties of what the fit gives at some readings, as `spread_of`."""
    return spread_of(partial(_shown, model, readings, temperature), fit)


def _shown(model: Design, readings: Array, temperature: Array, coefficients: Numbers) -> Numbers:
    return model.value(model.outputs(coefficients), readings, temperature)


def spread_of(function: Callable[[Numbers], Numbers], fit: Fit) -> Array | None:
    """Return the standard uncertainties of numbers computed from the coefficients, to first order
    (GUM, JCGM 100:2008, 5.2); None if those of the coefficients are not known or not finite."""
    if fit.covariance is None:
        return None
    columns = []
    for index in range(len(fit.coefficients)):
        step = np.zeros(len(fit.coefficients), complex)
        step[index] = 1j * STEP
        columns.append(np.imag(function(fit.coefficients + step)) / STEP)
    slopes = np.array(columns).T
    variances = np.einsum("...i,ij,...j->...", slopes, fit.covariance, slopes)
    result: Array = np.sqrt(np.maximum(variances, 0.0))
    return result if np.isfinite(result).all() else None
