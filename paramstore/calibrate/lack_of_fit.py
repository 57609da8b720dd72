"""What repeated points say: repeatability, hysteresis, and whether the model is that of the sensor.

Points at one reference and temperature are replicates: how they differ is scatter of the bench
alone, whatever the model. If their means miss the model by more than that explains, the model does
not fit (F test; N. R. Draper, H. Smith, Applied Regression Analysis, 1998, 2.1, from memory).
Without replicates errors that follow the reading show it (ratio of J. von Neumann, Ann. Math.
Statist. 12 (1941), 367, from memory): the scatter is then that between neighbours, and the rest of
the errors is the model's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import fdtrc, ndtr

from paramstore.calibrate.leastsq import Array
from paramstore.calibrate.models import Rows
from paramstore.calibrate.result import Fact

__all__ = ["FIT_CHANCE", "ModelMiss", "Replicates", "errors_follow", "hysteresis", "model_miss",
           "replicates", "run_facts"]

FIT_CHANCE = 0.05
"""Less than this, and the model is said not to fit."""
_FEWEST = 8
"""Points, for a judgement without replicates."""


class ModelMiss(NamedTuple):
    """The standard uncertainty of a model that does not fit, and its degrees of freedom."""

    uncertainty: float
    freedom: int


@dataclass(frozen=True, slots=True)
class Replicates:
    """`repeatability`: standard deviation of points at one reference, with `freedom` degrees of
    freedom, in the unit of the errors. `chance` that chance alone makes the means miss the model so
    far; None if the fit leaves no freedom for that. `model`: standard uncertainty of the model, 0
    unless it does not fit, with `model_freedom`."""

    repeatability: float
    freedom: int
    chance: float | None
    model: float
    model_freedom: int


def replicates(rows: Rows, errors: Array, coefficients: int) -> Replicates | None:
    """Return what repeated points say of a fit of so many coefficients; None if none repeats."""
    _, where = np.unique(np.column_stack([rows.reference, rows.temperature]), axis=0,
                         return_inverse=True)
    where = where.ravel()
    counts = np.bincount(where)
    freedom = len(errors) - len(counts)
    if not freedom:
        return None
    means = np.bincount(where, errors) / counts
    pure = float(((errors - means[where])**2).sum())
    missing = float((counts * means**2).sum())
    model_freedom = len(counts) - coefficients
    repeatability = math.sqrt(pure / freedom)
    if model_freedom < 1:
        return Replicates(repeatability, freedom, None, 0.0, 0)
    square = missing / model_freedom
    ratio = square / (pure / freedom) if pure else math.inf if missing else 0.0
    chance = float(fdtrc(model_freedom, freedom, ratio)) if math.isfinite(ratio) else 0.0
    model = 0.0
    if chance < FIT_CHANCE:
        model = math.sqrt(max(0.0, square - pure / freedom) / (len(errors) / len(counts)))
    return Replicates(repeatability, freedom, chance, model, model_freedom)


def errors_follow(reading: Array, errors: Array) -> bool:
    """Return whether neighbouring errors are so alike that chance makes them so in fewer than 1 of
    100 tables."""
    count = len(errors)
    centred = errors[np.argsort(reading, kind="stable")] - errors.mean()
    if count < _FEWEST or not centred.any():
        return False
    ratio = float((np.diff(centred)**2).sum() / (centred**2).sum())
    spread = 2 * math.sqrt((count - 2) / (count**2 - 1))
    return bool(ndtr((ratio - 2) / spread) < 0.01)


def model_miss(reading: Array, errors: Array, found: Replicates | None,
               freedom: int) -> ModelMiss | None:
    """Return how far the model misses the sensor, where repeated points show it or, without them,
    errors that follow the reading; None else. `freedom` is that of the fit."""
    if found is not None and found.chance is not None:
        return ModelMiss(found.model, found.model_freedom) if found.chance < FIT_CHANCE else None
    if freedom < 1 or not errors_follow(reading, errors):
        return None
    neighbours = np.diff(errors[np.argsort(reading, kind="stable")])
    square = float((errors**2).sum()) / freedom - float((neighbours**2).mean()) / 2
    return ModelMiss(math.sqrt(max(0.0, square)), freedom)


def hysteresis(rows: Rows, errors: Array) -> float | None:
    """Return the largest difference between errors on the way up and on the way down, at one
    reference; None unless the rows are runs up and down, of three references or more each way."""
    steps = np.sign(np.diff(rows.reference))
    way = steps[steps != 0]
    if len(way) < 4 or np.count_nonzero(np.diff(way)) > len(way) // 3:
        return None
    up: dict[float, list[float]] = {}
    down: dict[float, list[float]] = {}
    going = way[0]
    for index, (reference, error) in enumerate(zip(rows.reference, errors, strict=True)):
        if index and steps[index - 1]:
            going = steps[index - 1]
        (up if going > 0 else down).setdefault(float(reference), []).append(float(error))
    both = [abs(np.mean(up[r]) - np.mean(down[r])) for r in up if r in down]
    return float(max(both)) if len(both) >= 2 else None


def run_facts(rows: Rows, errors: Array, found: Replicates | None, unit: str) -> tuple[Fact, ...]:
    """Return repeatability, lack of fit and hysteresis as figures of the unit, where there are."""
    facts = []
    if found is not None:
        facts.append(Fact("repeatability", found.repeatability, unit,
                          f"standard deviation at one reference, {found.freedom} degrees of "
                          "freedom"))
        if found.chance is not None:
            facts.append(Fact("lack of fit", 100 * found.chance, "%",
                              "chance that scatter alone makes the model miss so far (F test)"))
    if (turned := hysteresis(rows, errors)) is not None:
        facts.append(Fact("hysteresis", turned, unit, "largest difference between up and down"))
    return tuple(facts)
