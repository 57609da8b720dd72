"""Least squares: laws of the fit, whatever it is used for. Certified values are in `test_nist`."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from paramstore.calibrate.leastsq import RankError, least_squares

NUMBERS = st.floats(-1, 1).map(lambda x: round(x, 6))
ROWS = st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), min_size=4, max_size=12)


def problem(rows: list[tuple[float, float, float]]) -> tuple[np.ndarray, np.ndarray]:
    data = np.array(rows)
    columns = np.column_stack([np.ones(len(data)), data[:, :2]])
    assume(np.linalg.cond(columns) < 1e3)
    return columns, data[:, 2]


@given(ROWS)
def test_normal_equations(rows: list[tuple[float, float, float]]) -> None:
    """The residuals stand square on every column, and the leverages sum up to the coefficients."""
    columns, target = problem(rows)
    fit = least_squares(columns, target)
    assert np.abs(columns.T @ fit.residuals).max() < 1e-12
    assert fit.leverage.sum() == pytest.approx(3)
    assert len(rows) - 3 == fit.freedom


@given(ROWS, st.integers(-200, 200), st.integers(-200, 200))
def test_scaling_changes_nothing(rows: list[tuple[float, float, float]], column: int,
                                 target: int) -> None:
    """Other units of a column or of the target only change the units of the result."""
    columns, wanted = problem(rows)
    scales = np.array([1.0, 2.0**column, 1.0])
    fit = least_squares(columns, wanted)
    scaled = least_squares(columns * scales, wanted * 2.0**target)
    expected = fit.coefficients / scales * 2.0**target
    assert scaled.coefficients == pytest.approx(expected, rel=1e-9, abs=2.0**target * 1e-12)
    if fit.covariance is not None and scaled.covariance is not None:
        assert np.sqrt(np.diag(scaled.covariance)) == pytest.approx(
            np.sqrt(np.diag(fit.covariance)) / scales * 2.0**target, rel=1e-6)


@given(ROWS, st.floats(0.01, 100))
def test_equal_uncertainties_weigh_the_same(rows: list[tuple[float, float, float]],
                                            sigma: float) -> None:
    """One uncertainty for all gives the coefficients of none, and a covariance of its own."""
    columns, target = problem(rows)
    plain, weighted = (least_squares(columns, target, s) for s in (None, np.full(len(rows), sigma)))
    assert weighted.coefficients == pytest.approx(plain.coefficients, rel=1e-9, abs=1e-11)
    expected = np.linalg.inv(columns.T @ columns) * sigma**2
    assert weighted.covariance == pytest.approx(expected, rel=1e-6, abs=1e-9 * sigma**2)


@given(ROWS)
def test_a_weight_of_two_points_counts_as_two(rows: list[tuple[float, float, float]]) -> None:
    """An uncertainty smaller by the root of 2 weighs as much as the same point twice."""
    columns, target = problem(rows)
    sigma = np.ones(len(rows))
    sigma[0] /= np.sqrt(2)
    once = least_squares(columns, target, sigma)
    twice = least_squares(np.vstack([columns[:1], columns]), np.append(target[0], target))
    assert once.coefficients == pytest.approx(twice.coefficients, rel=1e-9, abs=1e-10)


def test_dependent_columns_are_refused() -> None:
    """What the points do not determine is not made up."""
    line = np.arange(5.0)
    for columns in (np.column_stack([line, 2 * line]), np.column_stack([line, 0 * line])):
        with pytest.raises(RankError):
            least_squares(columns, line)
