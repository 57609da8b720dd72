"""Tail probabilities, against the quantiles that every table of statistics prints."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.calibrate.chances import chi_square_tail, normal_tails, student_tails

STUDENT = {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 10: 2.228, 20: 2.086, 100: 1.984}
"""Two-sided 5 % points: NIST/SEMATECH e-Handbook of Statistics, 1.3.6.7.2 (from memory)."""
CHI_SQUARE = {1: 3.841, 2: 5.991, 3: 7.815, 4: 9.488, 5: 11.070, 10: 18.307, 50: 67.505,
              100: 124.342}
"""Upper 5 % points: the same, 1.3.6.7.4 (from memory)."""


@pytest.mark.parametrize(("freedom", "point"), STUDENT.items())
def test_student(freedom: int, point: float) -> None:
    """Student's t agrees with the printed points."""
    assert student_tails(point, freedom) == pytest.approx(0.05, abs=5e-5)
    assert student_tails(-point, freedom) == student_tails(point, freedom)


@pytest.mark.parametrize(("freedom", "point"), CHI_SQUARE.items())
def test_chi_square(freedom: int, point: float) -> None:
    """Chi-square agrees with the printed points."""
    assert chi_square_tail(point, freedom) == pytest.approx(0.05, abs=5e-5)


def test_normal() -> None:
    """1.96 standard deviations leave 5 %."""
    assert normal_tails(1.959964) == pytest.approx(0.05, abs=1e-7)


@given(st.floats(0, 50), st.integers(1, 200))
def test_they_are_probabilities_that_fall(point: float, freedom: int) -> None:
    """All begin at 1 and fall; with many degrees of freedom t is normal."""
    for tail in (student_tails, chi_square_tail):
        assert tail(0, freedom) == pytest.approx(1)
        assert 0 <= tail(point + 1, freedom) <= tail(point, freedom) + 1e-12
    assert student_tails(point, 20_000) == pytest.approx(normal_tails(point), abs=1e-4)


def test_thousands_of_points() -> None:
    """Nothing overflows: the median of chi-square is near its degrees of freedom."""
    assert chi_square_tail(20_000, 20_000) == pytest.approx(0.5, abs=0.01)
    assert chi_square_tail(30_000, 19_999) == pytest.approx(0, abs=1e-9)
