"""Budgets: combination, effective degrees of freedom and coverage factors of the GUM."""

from __future__ import annotations

import math

import pytest

from paramstore.calibrate.result import OutlierState
from paramstore.calibrate.uncertainty import BudgetEntry, budget_of, coverage_factor
from tests.calibrate.bench import LINE, result_of

TABLE_G2 = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 10: 2.28, 20: 2.13, 50: 2.05, 100: 2.025}
"""JCGM 100:2008, table G.2, column 95.45 % (from memory)."""


def entry(uncertainty: float, freedom: float | None = None) -> BudgetEntry:
    return BudgetEntry("any", "B" if freedom is None else "A", uncertainty, "nm", freedom)


def test_end_gauge() -> None:
    """JCGM 100:2008, H.1: the length of an end gauge, sources in nm with their degrees of freedom;
    combined 32 nm, 16 effective degrees of freedom (from memory)."""
    budget = budget_of([entry(25, 18), entry(5.8, 24), entry(3.9, 5), entry(6.7, 8),
                        entry(2.9, 50), entry(16.6, 2)])
    assert budget.combined == pytest.approx(32, abs=0.5)
    assert budget.freedom is not None and 16 == math.floor(budget.freedom)


@pytest.mark.parametrize(("freedom", "factor"), TABLE_G2.items())
def test_coverage_factor(freedom: int, factor: float) -> None:
    """k agrees with the printed table."""
    assert coverage_factor(freedom) == pytest.approx(factor, abs=0.005)
    assert 2.0 == coverage_factor(None)


@pytest.mark.parametrize("scale", [1e-120, 1.0, 1e120])
def test_combination(scale: float) -> None:
    """3 and 4 make 5, in any unit; nothing at all makes nothing."""
    budget = budget_of([entry(3 * scale), entry(4 * scale, 10)])
    assert budget.combined == pytest.approx(5 * scale)
    assert budget.freedom == pytest.approx(10 * 625 / 256)
    assert budget.expanded == pytest.approx(budget.factor * 5 * scale)
    assert (0.0, None) == (budget_of([]).combined, budget_of([entry(0.0, 3)]).freedom)


def test_budget_of_points() -> None:
    """JCGM 100:2008, H.3: u of the fitted correction at 30 degC is 0.0041 with 9 degrees of
    freedom."""
    rows = [(-0.171, 1.521), (-0.169, 2.012), (-0.166, 2.512), (-0.159, 3.003), (-0.164, 3.507),
            (-0.165, 3.999), (-0.156, 4.513), (-0.157, 5.002), (-0.159, 5.503), (-0.161, 6.010),
            (-0.160, 6.511)]
    result = result_of(LINE + "from = 1.5\nto = 10\n", "reference [degC],reading [mV]", rows)
    assert result.budget is not None and 10.0 == result.budget_at
    assert result.budget.combined == pytest.approx(0.0041, abs=5e-5)
    assert 9 == result.budget.freedom
    assert result.budget.factor == pytest.approx(2.32, abs=0.005)
    (source,) = result.budget.entries
    assert ("A", "degC", False) == (source.kind, source.unit, source.common)
    assert {OutlierState.NONE} == {p.state for p in result.points}
    assert all(p.budget and p.budget.combined < 0.0041 for p in result.points)
