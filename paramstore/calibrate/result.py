"""What a calibration came to, as plain data: for reports, and for whoever packs the values.

Numbers are in the units of the recipe (readings, references, errors) or of the parameter. An error
is what the firmware will show minus what the reference says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum

from paramstore.calibrate.acceptance import Decision, all_of
from paramstore.calibrate.recipe import Calibration, put
from paramstore.calibrate.uncertainty import UncertaintyBudget
from paramstore.core.errors import Finding, SourceText
from paramstore.core.scalars import Raw

__all__ = ["AsFound", "Drift", "Fact", "Outcome", "OutlierState", "Point", "Result", "StoredNumber",
           "UnitResult"]


class OutlierState(Enum):
    """Whether a point is an outlier, as far as the other points can tell."""

    NONE = "none"
    OUTLIER = "outlier"
    UNKNOWN = "cannot be judged"


@dataclass(frozen=True, slots=True)
class Point:
    """One measurement, and its error with the fitted and with the stored values.

    `line` is that of the table. `reference_uncertainty`: the standard uncertainty of this reference
    alone, if the table has it. `chance`: how likely so large an error is in one of all points if it
    is no outlier; None where that cannot be told. `budget`: that of the fitted value at this
    reading; None if too little is known.
    """

    line: int
    reference: float
    reading: float
    error: float
    stored_error: float
    temperature: float | None = None
    reference_uncertainty: float | None = None
    chance: float | None = None
    state: OutlierState = OutlierState.UNKNOWN
    budget: UncertaintyBudget | None = None

    @property
    def expanded(self) -> float | None:
        """The expanded uncertainty U of the fitted value; None if too little is known."""
        return None if self.budget is None else self.budget.expanded

    @property
    def outlier(self) -> bool:
        """Whether the point does not fit the others."""
        return self.state is OutlierState.OUTLIER


@dataclass(frozen=True, slots=True)
class StoredNumber:
    """One number of a parameter: as fitted, and as it is read back from the store.

    `uncertainty` is the standard uncertainty of the fitted number; None if it is not known, or
    the number was chosen, not fitted.
    """

    name: str
    unit: str
    fitted: float
    stored: float
    shown: str
    uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class Fact:
    """One more figure that a person judges the unit by, such as the slope in per cent."""

    name: str
    value: float
    unit: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Drift:
    """One number of a parameter, before and after a calibration, in the unit of the parameter."""

    name: str
    unit: str
    found: float
    left: float

    @property
    def change(self) -> float:
        """What the calibration changed."""
        return self.left - self.found


@dataclass(frozen=True, slots=True)
class AsFound:
    """What the unit held before the calibration, and what it showed then at the same points.

    `source` says where that was read. `errors` belong to the points; None where the old values give
    no result. `since` is the date of the calibration that gave them, None if that is not known.
    `defaults`: the unit had no record of some of them, and served defaults.
    """

    source: str
    errors: tuple[float | None, ...]
    numbers: tuple[Drift, ...]
    since: date | None = None
    defaults: bool = False


@dataclass(frozen=True, slots=True)
class Result:
    """One calibration of one unit.

    `freedom`: points minus coefficients. `deviation`: residual standard deviation in the unit of
    the target, None without freedom. `reach`: smallest and largest reading looked at.
    `budget`: that of what the fit gives, where it is least certain there, at `budget_at`; None if
    too little is known. `storage_error`: the most that storing adds there, met at `storage_at`.
    """

    calibration: Calibration
    serial: str
    source: SourceText
    equation: str
    points: tuple[Point, ...]
    numbers: tuple[StoredNumber, ...]
    freedom: int
    deviation: float | None
    reach: tuple[float, float]
    budget: UncertaintyBudget | None
    budget_at: float
    storage_error: float
    storage_at: float
    facts: tuple[Fact, ...]
    raws: dict[str, dict[str, tuple[Raw, ...]]]
    found: AsFound | None = None

    @property
    def left_decisions(self) -> tuple[Decision, ...]:
        """What the error of each point, as stored, comes to; () without limits in the recipe."""
        return self._decisions([p.stored_error for p in self.points])

    @property
    def found_decisions(self) -> tuple[Decision, ...]:
        """What the error of each point as found comes to; () if that is not known."""
        return self._decisions(self.found.errors) if self.found else ()

    def _decisions(self, errors: Sequence[float | None]) -> tuple[Decision, ...]:
        accept = self.calibration.acceptance
        return () if accept is None else tuple(
            Decision.FAIL if error is None else
            accept.decide(error, point.reference, point.expanded)
            for error, point in zip(errors, self.points, strict=True))

    @property
    def left(self) -> Decision | None:
        """Whether the unit is accepted as left; None without limits in the recipe."""
        return all_of(self.left_decisions) if self.left_decisions else None

    @property
    def as_found(self) -> Decision | None:
        """Whether the unit was within its limits as found; None if that is not known."""
        return all_of(self.found_decisions) if self.found_decisions else None

    @property
    def deviation_unit(self) -> str:
        """The unit of what was fitted."""
        percent = self.calibration.options.get("gives") == "percent"
        return "%" if percent else self.calibration.reference_unit

    @property
    def fit_uncertainty(self) -> float | None:
        """The largest standard uncertainty of what the fit gives; None if unknown."""
        return None if self.budget is None else self.budget.combined

    @property
    def worst(self) -> Point:
        """The point of the largest error with the fitted values."""
        return max(self.points, key=lambda p: abs(p.error))

    @property
    def worst_stored(self) -> Point:
        """The point of the largest error with the stored values."""
        return max(self.points, key=lambda p: abs(p.stored_error))


@dataclass(frozen=True, slots=True)
class UnitResult:
    """The calibrations of one unit, and its raws by group and field name, those for all units
    among them. `serial` is "" if nothing tells it."""

    serial: str
    results: tuple[Result, ...]
    values: dict[str, dict[str, tuple[Raw, ...]]]


@dataclass(frozen=True, slots=True)
class Outcome:
    """Every unit, in the order of the tables, and the warnings. `common` was measured once for all
    units."""

    units: tuple[UnitResult, ...]
    warnings: tuple[Finding, ...] = ()
    common: tuple[Result, ...] = ()

    @property
    def results(self) -> tuple[Result, ...]:
        """Every result once, in the order of units and recipe, the common ones last."""
        return (*(r for unit in self.units for r in unit.results), *self.common)

    @property
    def common_values(self) -> dict[str, dict[str, tuple[Raw, ...]]]:
        """The raws that go into every unit, by group and field name."""
        values: dict[str, dict[str, tuple[Raw, ...]]] = {}
        for result in self.common:
            put(values, result.calibration.targets.values(), result.raws)
        return values

    def decision(self, unit: UnitResult) -> Decision | None:
        """Return whether a unit is accepted as left; None if no calibration of it has limits."""
        decisions = [r.left for r in self.of(unit) if r.left is not None]
        return all_of(decisions) if decisions else None

    def goes_out(self, unit: UnitResult) -> bool:
        """Whether a unit passes, or nobody asks that of it."""
        return self.decision(unit) in (None, Decision.PASS)

    @property
    def accepted(self) -> bool:
        """Whether no unit failed, and none is left undecided."""
        return all(self.goes_out(unit) for unit in self.units)

    def of(self, unit: UnitResult) -> tuple[Result, ...]:
        """Return all that a unit is calibrated by."""
        return (*unit.results, *self.common)
