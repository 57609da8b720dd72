"""Replicates and runs: repeatability, lack of fit and hysteresis, against a plain computation by
scipy and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from paramstore.calibrate.lack_of_fit import errors_follow, hysteresis, replicates
from paramstore.calibrate.models import Rows
from tests.calibrate.bench import LINE, result_of

HEAD = "reference [degC],reading [mV]"


def rows(reference: np.ndarray) -> Rows:
    return Rows(reference, reference * 2, np.full_like(reference, 25.0))


def test_lack_of_fit_is_the_f_test_of_scipy() -> None:
    """Chance and repeatability of three points at each of five references, two coefficients."""
    random = np.random.default_rng(3)
    reference = np.repeat(np.arange(5.0), 3)
    errors = random.standard_normal(15)
    found = replicates(rows(reference), errors, 2)
    assert found is not None
    groups = errors.reshape(5, 3)
    pure = groups.var(axis=1, ddof=1).mean()
    between = 3 * (groups.mean(axis=1)**2).sum() / 3
    assert found.repeatability == pytest.approx(np.sqrt(pure))
    assert found.chance == pytest.approx(stats.f.sf(between / pure, 3, 10))
    assert (10, 3) == (found.freedom, found.model_freedom)


def test_chance_makes_the_model_miss_as_often_as_it_says() -> None:
    """Of 2,000 tables of pure scatter about a line 5 in 100 are said not to fit, and 1 in 100
    without replicates."""
    random = np.random.default_rng(4)
    reference = np.repeat(np.arange(6.0), 2)
    columns = np.column_stack([np.ones(12), reference])
    keep = np.eye(12) - columns @ np.linalg.pinv(columns)
    missed = followed = 0
    for noise in random.standard_normal((2000, 12)):
        found = replicates(rows(reference), keep @ noise, 2)
        assert found is not None and found.chance is not None
        missed += found.chance < 0.05
        followed += errors_follow(reference, keep @ noise)
    assert 70 <= missed <= 130
    assert followed <= 30


def test_a_model_that_does_not_fit_is_part_of_the_budget() -> None:
    """A line through replicates on a parabola: the entry is there, and as large as the miss."""
    random = np.random.default_rng(5)
    table = [(x, 3 * x + 0.05 * x * x + 0.01 * random.standard_normal())
             for x in range(9) for _ in range(3)]
    result = result_of(LINE, HEAD, table)
    assert result.budget is not None
    entries = {e.name: e for e in result.budget.entries}
    model = entries["model (lack of fit)"]
    rms = np.sqrt(np.mean([p.error**2 for p in result.points]) * 9 / 7)
    assert model.uncertainty == pytest.approx(rms, rel=0.05)
    assert model.common and 7 == model.freedom


def test_without_replicates_errors_that_follow_the_reading_are_the_models() -> None:
    """A line through a parabola, points once each: what is left beside the scatter of neighbours
    is in the budget, and U holds the true values."""
    random = np.random.default_rng(5)
    x = np.arange(30.0)
    true = 3 * x + 0.05 * x * x
    result = result_of(LINE, HEAD, zip(true + 0.1 * random.standard_normal(30), x, strict=True))
    assert result.budget is not None
    entries = {e.name: e for e in result.budget.entries}
    rms = np.sqrt(np.mean([p.error**2 for p in result.points]))
    assert entries["model (lack of fit)"].uncertainty == pytest.approx(rms, rel=0.1)
    assert sum(abs(p.reference + p.error - t) < p.expanded for p, t in zip(
        result.points, true, strict=True) if p.expanded) >= 28


def test_hysteresis_of_a_run_up_and_down() -> None:
    """0.3 at the middle; nothing is said of points in any order."""
    reference = np.array([0.0, 1, 2, 3, 4, 3, 2, 1, 0])
    errors = np.array([0, .1, .1, .1, 0, 0, -.2, 0, 0])
    assert hysteresis(rows(reference), errors) == pytest.approx(0.3)
    assert hysteresis(rows(np.array([0.0, 3, 1, 4, 2, 0, 3, 1, 4])), errors) is None
    assert hysteresis(rows(np.arange(9.0)), errors) is None


def test_they_are_figures_of_the_unit() -> None:
    """Repeatability, lack of fit and hysteresis stand with the result."""
    up = [(float(y), 2.0 * y + 0.01 * (-1)**y) for y in range(6)]
    down = [(y, x + 0.2) for y, x in reversed(up[:-1])]
    result = result_of(LINE, HEAD, [*up, *down])
    assert ["repeatability", "lack of fit", "hysteresis"] == [f.name for f in result.facts]
    assert result.facts[2].value == pytest.approx(0.1, rel=0.01)
