"""Where the uncertainty of a fitted value comes from, source by source, at any readings.

The scatter of the points goes through the covariance of the coefficients (GUM, JCGM 100:2008, 5.2).
An error that all references share moves all points at once: it goes through the fit as one shift,
and more points do not make it smaller (GUM F.1.2.3). Bounds are taken as rectangular (GUM 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from paramstore.calibrate.lack_of_fit import ModelMiss
from paramstore.calibrate.leastsq import Array, Fit, Numbers
from paramstore.calibrate.models import Design, Outputs, Rows
from paramstore.calibrate.outliers import misjudged
from paramstore.calibrate.reach import STEP, shown_spread, spread_of
from paramstore.calibrate.recipe import Calibration
from paramstore.calibrate.uncertainty import BudgetEntry, UncertaintyBudget, budget_of

__all__ = ["FittedModel", "SourceSpread", "budgets", "combined", "output_spread",
           "spreads"]

_ROUNDING = 1e-12
"""Of the largest reference, or number: what is smaller is the rounding of floats."""


@dataclass(frozen=True, slots=True)
class FittedModel:
    """A model fitted to rows. `sigma`: standard uncertainties of the targets, if given. `others`:
    knots and heights (draws x points) of curves that the points speak for as well, beside `knots`.
    `missed`: how far the model misses the sensor, if it does. `squares`: what least squares give,
    if another fit was chosen.
    """

    calibration: Calibration
    rows: Rows
    design: Design
    fit: Fit
    fitted: Outputs
    sigma: Array | None
    knots: Array | None = None
    others: tuple[Array, Array] | None = None
    missed: ModelMiss | None = None
    squares: Outputs | None = None

    @property
    def numbers(self) -> dict[str, float]:
        """The fitted outputs that are one number each."""
        return {k: float(v) for k, v in self.fitted.items() if not np.ndim(v)}


@dataclass(frozen=True, slots=True)
class SourceSpread:
    """What one source adds at some readings, as standard uncertainties; the rest as in
    `BudgetEntry`."""

    name: str
    kind: str
    freedom: float | None
    common: bool
    values: Array


def spreads(model: FittedModel, readings: Array, temperature: Array) -> list[SourceSpread] | None:
    """Return every source of the fitted value at some readings, in the unit of the reference; None
    if the scatter is not known, a value is not finite, or no source adds anything: points that lie
    exactly on the model by chance, with nothing said of reference or steps, are no proof of U = 0.
    """
    scatter = shown_spread(model.design, model.fit, readings, temperature)
    if scatter is None:
        return None
    found = [_scatter(model, scatter)]
    if (finer := _resolution(model, scatter)) is not None:
        found.append(finer)
    if model.others is not None:
        found[0] = _with_choice(found[0], float(model.fit.freedom), _choice(model, readings))
    if model.squares is not None:
        one, other = (model.design.value(o, readings, temperature)
                      for o in (model.fitted, model.squares))
        found.append(SourceSpread("least largest error, not least squares", "A",
                                  float(model.fit.freedom) or None, False, np.abs(one - other)))
    if model.missed is not None and model.missed.uncertainty:
        found.append(SourceSpread("model (lack of fit)", "A", float(model.missed.freedom), True,
                                  np.full_like(readings, model.missed.uncertainty)))
    found += _shared(model, readings, temperature)
    total, floor = combined(found), _ROUNDING * np.abs(model.rows.reference).max()
    return found if np.isfinite(total).all() and total.max() > floor else None


def output_spread(model: FittedModel, key: str) -> Array | None:
    """Return the standard uncertainties of an output of the model, in its unit; None if unknown,
    as in `spreads`."""

    def numbers(coefficients: Numbers) -> Numbers:
        return np.atleast_1d(model.design.outputs(coefficients)[key])

    scatter = spread_of(numbers, model.fit)
    if scatter is None:
        return None
    shift = model.fit.response @ model.design.spread
    moved = np.imag(numbers(model.fit.coefficients + 1j * STEP * shift)) / STEP
    parts = [scatter, *(moved * u for _, u in _common(model))]
    if key == "curve" and model.others is not None and model.knots is not None:
        heights = np.array([np.interp(model.knots, k, h) for k, h in zip(
            *model.others, strict=True)])
        parts.append(np.sqrt(((heights - model.fitted[key])**2).mean(axis=0)))
    total: Array = np.sqrt(sum(p**2 for p in parts))
    floor = _ROUNDING * np.abs(model.fitted[key]).max()
    return total if np.isfinite(total).all() and total.max() > floor else None


def combined(sources: Sequence[SourceSpread]) -> Array:
    """Return the combined standard uncertainties."""
    total: Array = np.sqrt(sum(s.values**2 for s in sources))
    return total


def budgets(sources: Sequence[SourceSpread], unit: str) -> list[UncertaintyBudget]:
    """Return the budget at each of the readings."""
    return [budget_of(BudgetEntry(s.name, s.kind, float(s.values[i]), unit, s.freedom, s.common)
                      for s in sources) for i in range(len(sources[0].values))]


def _scatter(model: FittedModel, scatter: Array) -> SourceSpread:
    if model.sigma is None or misjudged(model.fit, model.sigma) is not None:
        return SourceSpread("scatter of the points", "A", float(model.fit.freedom), False, scatter)
    name = ("reference and reading, each point" if model.calibration.number("reading_noise")
            else "reference, each point")
    return SourceSpread(name, "B", None, False, scatter)


def _with_choice(scatter: SourceSpread, freedom: float, choice: Array) -> SourceSpread:
    """Return scatter and choice of breakpoints as one source: both come of the same scatter, so
    they share their degrees of freedom."""
    return SourceSpread(f"{scatter.name}, choice of breakpoints", "A", freedom, False,
                        np.hypot(scatter.values, choice))


def _resolution(model: FittedModel, scatter: Array) -> SourceSpread | None:
    """Return what the steps of reference and reading add to a scatter that does not show them."""
    number = model.calibration.number
    steps = [number("reference_resolution") or 0.0,
             (number("reading_resolution") or 0.0) * _steepness(model)]
    known = math.hypot(*steps) / math.sqrt(12)
    scale = model.fit.scale
    if known == 0 or model.sigma is not None or not scale:
        return None
    shown = scale / float(np.abs(model.design.spread).mean())
    missing = math.sqrt(max(0.0, known**2 - shown**2)) / shown
    return SourceSpread("resolution", "B", None, False, scatter * missing) if missing else None


def _steepness(model: FittedModel) -> float:
    """Return the change of the fitted value for a reading larger by 1 in the table, in the mean."""
    rows = model.rows
    order = np.argsort(rows.reading)
    values = model.design.value(model.fitted, rows.reading, rows.temperature)[order]
    width = np.ptp(rows.reading) / float(model.calibration.reading_factor)
    return float(np.abs(np.diff(values)).sum() / width) if width else 0.0


def _choice(model: FittedModel, readings: Array) -> Array:
    """Return how far other curves lie from the one that was fitted."""
    assert model.others is not None
    flat = np.zeros_like(readings)
    mine = model.design.value(model.fitted, readings, flat)
    gives = model.calibration.options["gives"]
    curves = np.array([np.interp(readings, k, h) for k, h in zip(*model.others, strict=True)])
    theirs = {"value": curves, "difference": readings + curves}.get(
        gives, readings * (1 + curves / 100))
    apart: Array = np.sqrt(((theirs - mine)**2).mean(axis=0))
    return apart


def _shared(model: FittedModel, readings: Array, temperature: Array) -> list[SourceSpread]:
    """Return the sources that move all references at once."""
    shift = model.fit.response @ model.design.spread
    moved = np.abs(np.imag(model.design.value(
        model.design.outputs(model.fit.coefficients + 1j * STEP * shift), readings, temperature,
    )) / STEP)
    return [SourceSpread(name, "B", None, True, moved * u) for name, u in _common(model)]


def _common(model: FittedModel) -> list[tuple[str, float]]:
    """Return what all references share: names and standard uncertainties, those that are given."""
    number = model.calibration.number
    given = (("reference, all points", number("reference_uncertainty") or 0.0),
             ("drift of the reference", (number("reference_drift") or 0.0) / math.sqrt(3)))
    return [(name, u) for name, u in given if u]
