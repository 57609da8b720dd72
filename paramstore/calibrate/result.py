"""What a calibration came to, as plain data: for reports, and for whoever packs the values.

Numbers are in the units of the recipe (readings, references, errors) or of the parameter. An error
is what the firmware will show minus what the reference says.
"""

from __future__ import annotations

from dataclasses import dataclass

from paramstore.calibrate.recipe import Calibration
from paramstore.core.errors import Finding, SourceText
from paramstore.core.scalars import Raw

__all__ = ["Fact", "Outcome", "Point", "Result", "StoredNumber", "UnitResult"]


@dataclass(frozen=True, slots=True)
class Point:
    """One measurement, and its error with the fitted and with the stored values.

    `line` is that of the table. `chance`: how likely so large an error is in one of all points
    if it is no outlier; None where that cannot be told.
    """

    line: int
    reference: float
    reading: float
    error: float
    stored_error: float
    temperature: float | None = None
    uncertainty: float | None = None
    chance: float | None = None
    outlier: bool = False


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
class Result:
    """One calibration of one unit.

    `freedom`: points minus coefficients. `deviation`: residual standard deviation in the unit of
    the target, None without freedom. `reach`: smallest and largest reading looked at.
    `fit_uncertainty` and `storage_error`: the largest there of the standard uncertainty of what
    the fit gives (None if unknown), and of what storing adds, which is met at `storage_at`.
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
    fit_uncertainty: float | None
    storage_error: float
    storage_at: float
    facts: tuple[Fact, ...]
    raws: dict[str, dict[str, tuple[Raw, ...]]]

    @property
    def deviation_unit(self) -> str:
        """The unit of what was fitted."""
        percent = self.calibration.options.get("gives") == "percent"
        return "%" if percent else self.calibration.reference_unit

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
    """All calibrations of one unit, and its raws by group and field name."""

    serial: str
    results: tuple[Result, ...]
    values: dict[str, dict[str, tuple[Raw, ...]]]


@dataclass(frozen=True, slots=True)
class Outcome:
    """Every unit, in the order of the tables, and the warnings."""

    units: tuple[UnitResult, ...]
    warnings: tuple[Finding, ...] = ()
