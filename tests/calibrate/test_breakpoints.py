"""Breakpoints: no other choice among the measured points is better, and all readings are inside."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.calibrate.breakpoints import (
    best_places,
    candidates,
    filled,
    physical_x,
    stored_x,
)
from paramstore.core.scalars import SCALARS
from paramstore.schema.model import Field
from tests.calibrate.bench import SCHEMA

X = SCHEMA.group("cal").parameter("curve").fields[0]
ONE = Fraction(1)


def axis(scalar: str = "u16", count: int = 5, scale: str = "1", offset: str = "0") -> Field:
    return replace(X, scalar=SCALARS[scalar], count=count, scale=Decimal(scale),
                   offset=Decimal(offset))


def worst_gap(x: np.ndarray, y: np.ndarray, chosen: tuple[int, ...]) -> float:
    """How far the points are from straight lines through the chosen ones."""
    picked = list(chosen)
    return float(np.abs(np.interp(x, x[picked], y[picked]) - y).max())


@given(st.lists(st.integers(-50, 50), min_size=5, max_size=9), st.integers(2, 5))
def test_no_choice_is_better(heights: list[int], points: int) -> None:
    """The largest distance is that of the best of all choices, tried one by one."""
    x, y = np.arange(len(heights)) * 10.0, np.array(heights, float)
    chosen = tuple(best_places(x, y, points))
    inner = range(1, len(x) - 1)
    best = min(worst_gap(x, y, (0, *middle, len(x) - 1))
               for middle in combinations(inner, min(points, len(x)) - 2))
    assert worst_gap(x, y, chosen) == pytest.approx(best, abs=1e-9)


@given(st.lists(st.floats(0, 600), min_size=2, max_size=40, unique=True),
       st.sampled_from([axis(), axis("i16", 8, "0.05", "10"), axis("f32", 4), axis("i16", 3, "-1"),
                        axis("f64", 255)]))
def test_they_rise_by_more_than_a_step_and_enclose_all_readings(readings: list[float],
                                                                field: Field) -> None:
    """x rises as a value by more than a step; no reading is left outside but by the rounding of a
    float."""
    x = np.array(readings)
    try:
        raws = candidates(field, ONE, x)
    except ValueError:
        assert max(readings) - min(readings) < 2
        return
    raws = filled(field, raws)
    at = [physical_x(field, raw, ONE) for raw in raws]
    assert at == sorted(set(at))
    assert at[0] <= min(readings) * (1 + 1e-6) and max(readings) * (1 - 1e-6) <= at[-1]
    if field.scalar.name not in ("f32", "f64"):
        assert min(abs(b - a) for a, b in pairwise(raws)) > 1
    steps = (max(readings) - min(readings)) / abs(float(field.scale))
    room = field.scalar.name in ("f32", "f64") or steps > 4 * field.count
    assert len(raws) >= field.count or not room


def test_points_to_spare_lie_in_the_widest_gaps() -> None:
    """With fewer readings than points the rest halve the gaps."""
    assert [0, 25, 50, 100, 110] == filled(axis(), candidates(
        axis(), ONE, np.array([0.0, 100.0, 110.0])))


def test_readings_closer_than_their_repeatability_are_one_candidate() -> None:
    """Two readings 1 mV apart that repeat to 4 mV are no two breakpoints."""
    readings = np.array([0.0, 100.0, 101.0, 200.0])
    assert [0, 100, 200] == candidates(axis("f64"), ONE, readings, apart=4.0)


def test_units_of_x() -> None:
    """Readings in another unit than x are stored in that of x, rounded to either side."""
    assert 1234 == stored_x(axis(), 1.2341, Fraction(1000))
    assert [1234, 1235] == [stored_x(axis(), 1.2341, Fraction(1000), side) for side in (-1, 1)]
    assert 1.234 == physical_x(axis(), 1234, Fraction(1000))
    assert stored_x(axis(), 66.0, Fraction(1000)) is None


def test_a_reading_beyond_the_type_is_refused() -> None:
    """u16 holds no -1."""
    with pytest.raises(ValueError):
        candidates(axis(), ONE, np.array([-1.0, 5.0]))
