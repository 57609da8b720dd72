"""The rule for outliers and the stated uncertainties, against what chance does (fixed seeds)."""

from __future__ import annotations

import numpy as np
import pytest

from paramstore.calibrate.leastsq import Fit, least_squares
from paramstore.calibrate.outliers import CHANCE, chances, exact, misjudged, widened

TABLES = 1000
X = np.linspace(-1, 1, 10)
COLUMNS = np.column_stack([np.ones_like(X), X])
SIGMA = np.linspace(0.5, 1.5, len(X))


def tables(noise: np.ndarray) -> list[tuple[Fit, np.ndarray]]:
    """Fit lines to tables of pure noise around a line."""
    random = np.random.default_rng(20260131)
    targets = 3 + 2 * X + noise * random.standard_normal((TABLES, len(X)))
    return [(least_squares(COLUMNS, t), t) for t in targets]


@pytest.mark.parametrize("given", [False, True])
def test_false_alarms_are_as_rare_as_promised(given: bool) -> None:
    """Of tables without an outlier about 1 in 20 is said to have one."""
    noise = SIGMA if given else np.full(len(X), 0.7)
    sigma = SIGMA if given else None
    alarms = sum(
        any(c is not None and c < CHANCE for c in chances(
            least_squares(COLUMNS, target, sigma), target, sigma))
        for _, target in tables(noise))
    assert 0.02 * TABLES < alarms < 0.07 * TABLES


def test_uncertainties_cover_what_they_should() -> None:
    """The true offset lies within twice its standard uncertainty in about 93 % of tables
    (Student's t with 8 degrees of freedom: 92 %)."""
    fits = [fit for fit, _ in tables(np.full(len(X), 0.7))]
    inside = sum(abs(f.coefficients[0] - 3) < 2 * np.sqrt(f.covariance[0, 0]) for f in fits
                 if f.covariance is not None)
    assert 0.895 * TABLES < inside < 0.945 * TABLES


def test_uncertainties_that_are_too_small_are_noticed() -> None:
    """A third of the true scatter is told in nearly all tables, the true one in 1 of 100."""
    fits = [least_squares(COLUMNS, t, SIGMA / 3) for _, t in tables(SIGMA)]
    assert sum(misjudged(f, SIGMA / 3) is not None for f in fits) > 0.95 * TABLES
    fits = [least_squares(COLUMNS, t, SIGMA) for _, t in tables(SIGMA)]
    assert sum(misjudged(f, SIGMA) is not None for f in fits) < 0.02 * TABLES


def test_uncertainties_that_are_too_small_are_widened_by_the_scatter() -> None:
    """With a hundredth of the true scatter given, the true offset lies all the same within twice
    its standard uncertainty, about as often as without any given; with the true scatter given
    hardly a covariance changes."""
    small = [widened(least_squares(COLUMNS, t, SIGMA / 100), SIGMA / 100) for _, t in tables(SIGMA)]
    inside = sum(abs(f.coefficients[0] - 3) < 2 * np.sqrt(f.covariance[0, 0]) for f in small
                 if f.covariance is not None)
    assert 0.895 * TABLES < inside < 0.945 * TABLES
    right = [least_squares(COLUMNS, t, SIGMA) for _, t in tables(SIGMA)]
    assert sum(widened(f, SIGMA) is not f for f in right) < 0.02 * TABLES


def test_one_bad_point_is_found() -> None:
    """A point 10 standard deviations off is told, and no other."""
    fit, target = tables(np.full(len(X), 0.1))[0]
    target = target.copy()
    target[6] += 1.0
    fit = least_squares(COLUMNS, target)
    assert [6] == [i for i, c in enumerate(chances(fit, target, None))
                   if c is not None and c < CHANCE]


def test_nothing_is_told_where_nothing_can_be() -> None:
    """Three points and a line leave one degree of freedom: no point can be judged by the others;
    a point that a coefficient has to itself has no residual at all."""
    fit = least_squares(COLUMNS[:3], np.array([1.0, 2.0, 4.0]))
    assert [None] * 3 == chances(fit, np.array([1.0, 2.0, 4.0]), None)
    alone = np.column_stack([np.ones(5), [0, 0, 0, 0, 1.0]])
    target = np.array([1.0, 1.2, 0.9, 1.1, 7.0])
    assert chances(least_squares(alone, target), target, None)[4] is None


def test_exact_points() -> None:
    """Points on a line are exact, whatever their last digits."""
    target = 0.1 * X + 0.3
    assert exact(least_squares(COLUMNS, target), target)
    assert not exact(least_squares(COLUMNS, target + 1e-9 * X**2), target)
