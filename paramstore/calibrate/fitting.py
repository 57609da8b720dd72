"""One unit, one calibration: measurements in, fitted and stored numbers and their errors out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paramstore.calibrate.breakpoints import MOST_READINGS
from paramstore.calibrate.curve_choice import CurveChoice, choose_curve
from paramstore.calibrate.equations import equation
from paramstore.calibrate.judging import Doubt, doubts, facts
from paramstore.calibrate.lack_of_fit import model_miss, replicates, run_facts
from paramstore.calibrate.leastsq import Array, Fit, RankError, least_squares
from paramstore.calibrate.models import Design, Outputs, Rows, design
from paramstore.calibrate.other_fits import fit_both_axes, least_largest
from paramstore.calibrate.outliers import CHANCE, chances, exact, misjudged, widened
from paramstore.calibrate.reach import OverRange, over_range
from paramstore.calibrate.recipe import Calibration, FedParameter, put
from paramstore.calibrate.recipe_units import output_units
from paramstore.calibrate.result import OutlierState, Point, Result, StoredNumber
from paramstore.calibrate.sources import (
    FittedModel,
    budgets,
    combined,
    output_spread,
    spreads,
)
from paramstore.calibrate.storing import Stored, in_parameter, store
from paramstore.calibrate.table import Measurement
from paramstore.calibrate.uncertainty import UncertaintyBudget
from paramstore.core.errors import Finding, Severity, SourceText
from paramstore.core.scalars import Raw
from paramstore.core.words import plural
from paramstore.schema.from_raw import show_raw
from paramstore.schema.model import Kind
from paramstore.schema.to_raw import ValueProblem

__all__ = ["Job", "Refused", "fit_unit"]

APART = 4
"""Standard deviations of a reading that breakpoints are apart: readings nearer to each other may be
one (ours)."""


class Refused(Exception):
    """The work on this unit has ended with a finding."""


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be fitted. `recipe` and `table` are the texts that findings point into."""

    calibration: Calibration
    serial: str
    rows: Sequence[Measurement]
    recipe: SourceText
    table: SourceText
    findings: list[Finding]

    def tell(self, doubt: Doubt, severity: Severity = Severity.WARNING,
             target: FedParameter | None = None) -> None:
        """Add a finding: at a point of the table, at a parameter of the recipe, or at the table's
        first row of the unit."""
        row = self.rows[doubt.point or 0]
        unit = (f"unit {self.serial}",) if self.serial else ()
        source, span = (self.recipe, target.span) if target else (self.table, row.span)
        self.findings.append(Finding(doubt.code, doubt.message, source, span,
                                     notes=(*unit, *doubt.notes), help=doubt.help,
                                     severity=severity))

    def refuse(self, code: str, message: str, help: str, notes: tuple[str, ...] = (),
               target: FedParameter | None = None) -> Refused:
        """Add a finding that ends the work; raise what is returned."""
        self.tell(Doubt(code, message, help, notes), Severity.ERROR, target)
        return Refused()


def fit_unit(job: Job) -> Result | None:
    """Return the calibration of a unit; None, with findings (PS831 to PS836), if there is none.

    Warnings (PS833 to PS840, PS843, PS844) are added to the findings as well.
    """
    try:
        with np.errstate(all="ignore"):  # what is not finite is looked for, and told
            return _fit_unit(job)
    except Refused:
        return None


def _fit_unit(job: Job) -> Result:
    cal = job.calibration
    rows = _arrays(job)
    choice = _breakpoints(job, rows)
    model = design(cal.model, rows, cal.options, frozenset(cal.targets), _size(cal),
                   choice.knots if choice else None)
    given = [r.uncertainty for r in job.rows if r.uncertainty is not None]
    sigma = np.array(given) * np.abs(model.spread) if given else None
    fit = _fit(job, rows, model, sigma)
    if (noise := cal.number("reading_noise")) and fit.freedom and not exact(fit, model.target):
        fit, sigma = fit_both_axes(model, rows, fit, noise * float(cal.reading_factor), sigma)
        fit = widened(fit, sigma)
    squares = fit
    least = cal.options.get("smallest") == "largest"
    if least:
        fit = least_largest(model.columns, model.target, model.spread, fit)
    fitted = model.outputs(fit.coefficients)
    stored = _store(job, fitted, choice.raws if choice else [])
    back = {k: s.back if np.ndim(fitted[k]) else s.back[0] for k, s in stored.items()}
    reach = _reach(cal, rows)
    ranged = over_range(model, fitted, back, rows, *reach,
                        choice.knots if choice else np.array([]))
    if not np.isfinite(ranged.storage_error):
        raise job.refuse("PS836", "the stored values give no result at some readings of the range",
                         "store finer steps: a smaller `scale`, or f32",
                         ("a number that is divided by is stored as 0",),
                         next(iter(cal.targets.values())))
    errors = model.errors(fitted, rows)
    repeated = None if exact(fit, model.target) else replicates(rows, errors,
                                                                model.columns.shape[1])
    missed = None if exact(fit, model.target) else model_miss(rows.reading, errors, repeated,
                                                              fit.freedom)
    known = FittedModel(cal, rows, model, fit, fitted, sigma,
                        choice.knots if choice else None, choice.others if choice else None,
                        missed, model.outputs(squares.coefficients) if least else None)
    by_chance = choice.chances if choice and choice.chances else chances(squares, model.target,
                                                                         sigma)
    points = _points(job, known, back, by_chance)
    scale = float(cal.reading_factor)
    budget, budget_at = _least_certain(known, ranged)
    result = Result(
        cal, job.serial, job.table, equation(cal), points,
        _numbers(known, stored), fit.freedom, _deviation(fit, sigma),
        (reach[0] / scale, reach[1] / scale), budget, budget_at / scale,
        ranged.storage_error, ranged.storage_at / scale,
        (*facts(cal, known.numbers, max(abs(p.error) for p in points)),
         *run_facts(rows, errors, repeated, cal.reference_unit)), _values(cal, stored))
    _tell_doubts(job, result, known, ranged, missed is not None)
    return result


# ---- Before the fit -----------------------------------------------------------------------------


def _arrays(job: Job) -> Rows:
    factor = float(job.calibration.reading_factor)
    return Rows(
        np.array([r.reference for r in job.rows]),
        np.array([r.reading * factor for r in job.rows]),
        np.array([25.0 if r.temperature is None else r.temperature for r in job.rows]),
    )


def _size(calibration: Calibration) -> int:
    target = calibration.targets.get("coefficients")
    return target.field.count if target else 1


def _breakpoints(job: Job, rows: Rows) -> CurveChoice | None:
    """Return the breakpoints of a curve; None for other models."""
    target = job.calibration.targets.get("curve")
    if target is None:
        return None
    x = target.parameter.fields[0]
    different = len(np.unique(rows.reading))
    if different > MOST_READINGS:
        raise job.refuse("PS832", f"a curve cannot be drawn through {different} different readings",
                         f"take means first: up to {MOST_READINGS} are tried as breakpoints")
    if different < 2:
        raise _all_equal(job)
    one = np.ones_like(rows.reading)
    height, change = {
        "value": (rows.reference, one), "difference": (rows.reference - rows.reading, one),
    }.get(job.calibration.options["gives"]) or (
        100 * (rows.reference / rows.reading - 1), 100 / rows.reading)
    given = [r.uncertainty for r in job.rows if r.uncertainty is not None]
    try:
        choice = choose_curve(x, target.x_factor, rows.reading, height,
                              np.array(given) * np.abs(change) if given else None,
                              APART * _repeatability(job, rows),
                              job.calibration.options["smallest"] == "largest")
    except ValueError:
        choice = None
    if choice is None or len(choice.raws) < x.count:
        raise job.refuse("PS836", f"`{target.name}` cannot store {x.count} different x between "
                         f"{rows.reading.min():g} and {rows.reading.max():g} "
                         f"{job.calibration.reading_unit}",
                         "choose another type or scale for x in the schema",
                         ("breakpoints are more than one step of x apart",), target)
    return choice


def _repeatability(job: Job, rows: Rows) -> float:
    """Return how far one reading may be off by itself: as the recipe says, or from readings at one
    reference; 0 if nothing tells."""
    given = job.calibration.number("reading_noise")
    if given is not None:
        return given * float(job.calibration.reading_factor)
    _, where = np.unique(rows.reference, return_inverse=True)
    counts = np.bincount(where)
    freedom = len(where) - len(counts)
    if not freedom:
        return 0.0
    off = rows.reading - (np.bincount(where, rows.reading) / counts)[where]
    return float(np.sqrt((off**2).sum() / freedom))


def _all_equal(job: Job, what: str = "readings") -> Refused:
    return job.refuse("PS832", f"all {what} are equal", "measure at different references")


def _fit(job: Job, rows: Rows, model: Design, sigma: Array | None) -> Fit:
    points, coefficients = model.columns.shape
    if points < coefficients:
        raise job.refuse(
            "PS831", f"{plural(points, 'point')} cannot give {coefficients} coefficients",
            f"measure at {coefficients} references or more; one more shows errors, too")
    if coefficients > 1 and len(np.unique(rows.reading)) == 1:
        raise _all_equal(job)
    if coefficients > 1 and len(np.unique(rows.reference)) == 1:
        raise _all_equal(job, "references")
    try:
        return widened(least_squares(model.columns, model.target, sigma), sigma)
    except RankError:
        raise job.refuse("PS832", f"the points do not determine {coefficients} coefficients",
                         "measure at more different references",
                         ("some of the points say the same",)) from None


# ---- After the fit ------------------------------------------------------------------------------


def _store(job: Job, fitted: Outputs, x_raws: Sequence[Raw]) -> dict[str, Stored]:
    stored = {}
    for key, target in job.calibration.targets.items():
        numbers = np.atleast_1d(fitted[key])
        if not np.isfinite(numbers).all():
            raise job.refuse("PS832", f"no finite `{key}` comes of these points",
                             "look for wrong readings: they do not follow the reference")
        try:
            stored[key] = store(target, numbers.tolist(), x_raws)
        except ValueProblem as problem:
            raise job.refuse("PS836", problem.message, "check the measurements; if they are right, "
                             "widen the limits or the type in the schema", problem.notes,
                             target) from problem
    return stored


def _values(calibration: Calibration, stored: Mapping[str, Stored]
            ) -> dict[str, dict[str, tuple[Raw, ...]]]:
    values: dict[str, dict[str, tuple[Raw, ...]]] = {}
    for key, target in calibration.targets.items():
        put(values, [target], {target.group.name: stored[key].raws})
    return values


def _reach(calibration: Calibration, rows: Rows) -> tuple[float, float]:
    factor = float(calibration.reading_factor)
    low, high = calibration.number("from"), calibration.number("to")
    return (float(rows.reading.min()) if low is None else low * factor,
            float(rows.reading.max()) if high is None else high * factor)


def _points(job: Job, known: FittedModel, back: Outputs,
            by_chance: Sequence[float | None]) -> tuple[Point, ...]:
    rows = known.rows
    errors, stored_errors = (known.design.errors(o, rows) for o in (known.fitted, back))
    sources = spreads(known, rows.reading, rows.temperature)
    budget: Sequence[UncertaintyBudget | None] = (
        [None] * len(job.rows) if sources is None
        else budgets(sources, job.calibration.reference_unit))
    return tuple(
        Point(row.span.line, row.reference, row.reading, float(errors[i]), float(stored_errors[i]),
              row.temperature if job.calibration.temperature_used else None, row.uncertainty,
              by_chance[i], _state(by_chance[i]), budget[i])
        for i, row in enumerate(job.rows))


def _state(chance: float | None) -> OutlierState:
    if chance is None:
        return OutlierState.UNKNOWN
    return OutlierState.OUTLIER if chance < CHANCE else OutlierState.NONE


def _least_certain(known: FittedModel, ranged: OverRange
                   ) -> tuple[UncertaintyBudget | None, float]:
    """Return the budget where the fitted value is least certain, and the reading."""
    sources = spreads(known, ranged.readings, ranged.temperature)
    if sources is None:
        return None, float(ranged.readings[0])
    at = int(combined(sources).argmax())
    there = [replace(s, values=s.values[at:at + 1]) for s in sources]
    return budgets(there, known.calibration.reference_unit)[0], float(ranged.readings[at])


def _numbers(known: FittedModel, stored: Mapping[str, Stored]) -> tuple[StoredNumber, ...]:
    numbers: list[StoredNumber] = []
    units = output_units(known.calibration)
    for key, target in known.calibration.targets.items():
        spread = output_spread(known, key)
        unit = target.field.unit or ("" if units[key] in ("mixed", "1") else units[key])
        own = in_parameter(target, np.atleast_1d(known.fitted[key]).tolist())
        wide = None if spread is None else in_parameter(target, spread.tolist())
        for i, (number, shown) in enumerate(zip(own, stored[key].shown, strict=True)):
            numbers.append(StoredNumber(
                target.name + _element(target, stored[key], i), unit, number,
                stored[key].physical[i], shown, abs(wide[i]) if wide else None))
    return tuple(numbers)


def _element(target: FedParameter, stored: Stored, index: int) -> str:
    """Return what follows the name of a parameter: nothing, `[1]`, or `[1] at 147 uS/cm`."""
    if target.parameter.kind is Kind.CURVE:
        x = target.parameter.fields[0]
        return f"[{index}] at {show_raw(x, stored.raws[x.name][index])}"
    return f"[{index}]" if target.array else ""


def _tables(point: Point) -> int:
    """Return in one of how many tables chance makes such an error, cut off at a million."""
    return int(1 / max(point.chance or 0.0, 1e-6))


def _deviation(fit: Fit, sigma: Array | None) -> float | None:
    """Return the residual standard deviation, of points of equal weight."""
    if not fit.freedom or sigma is None:
        return fit.scale
    return float(np.sqrt((fit.residuals**2).sum() / fit.freedom))


def _tell_doubts(job: Job, result: Result, known: FittedModel, ranged: OverRange,
                 misses: bool) -> None:
    """Tell what is unusual; `misses`: the errors follow the reading."""
    cal, fit = job.calibration, known.fit
    unit = f" {cal.reference_unit}" if cal.reference_unit not in ("", "1") else ""
    if misses:
        job.tell(Doubt(
            "PS843", f"the errors follow the reading: `{cal.model}` is not how the sensor behaves",
            "fit a model that bends more, or a smaller range; leave all points in",
            ("scatter alone would leave no such order in the errors",)))
    for index, point in enumerate(result.points):
        if point.outlier:
            help = ("look at the model first: the points around it err as well" if misses else
                    "measure it again, or take the row out if you know why")
            job.tell(Doubt(
                "PS833", f"a reading of {point.reading:g} does not fit the others: "
                f"{point.error:+.3g}{unit}", help,
                (f"chance makes so large an error in fewer than 1 of {_tables(point)} tables",
                 "it is part of the fit all the same"), index))
    if (ratio := misjudged(fit, known.sigma)) is not None:
        outlier = any(p.outlier for p in result.points)  # which alone may make the scatter so large
        job.tell(Doubt(
            "PS834", f"the errors are {ratio:.2g} times what the uncertainties say",
            "look at the outlier first" if outlier else
            "look for what the uncertainties leave out, or for a better model",
            (f"the uncertainties of the results are {ratio:.2g} times as large for it",)))
    noise = max(abs(result.worst.error), result.fit_uncertainty or 0.0)
    if fit.freedom and not exact(fit, known.design.target) and result.storage_error > noise:
        job.tell(Doubt("PS838", f"storing adds up to {result.storage_error:.2g}{unit}, more than "
                       "the measurements leave open", "store finer steps: a smaller `scale`, a "
                       "wider type, or f32"), target=next(iter(cal.targets.values())))
    readings, references = (np.array([getattr(r, name) for r in job.rows])
                            for name in ("reading", "reference"))
    for doubt in doubts(cal, known.numbers, readings, references, result.reach, ranged.shape):
        job.tell(doubt)
