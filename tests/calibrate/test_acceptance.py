"""Decisions against a tolerance, with a guard band."""

from __future__ import annotations

import math

import pytest

from paramstore.calibrate.acceptance import Acceptance, Decision, all_of
from tests.calibrate.bench import LINE, csv, outcome_of

PASS, FAIL, OPEN = Decision.PASS, Decision.FAIL, Decision.UNDECIDABLE
HEAD = "reference [degC],reading [mV]"
STRAIGHT = [(20 + n + 0.01 * (-1)**n, 10 * n) for n in range(10)]


@pytest.mark.parametrize(("error", "expanded", "guard", "decision"), [
    # JCGM 106:2012, 8.3.2 and 8.3.3: acceptance interval T - w, rejection beyond T + w, w = r U.
    # T = 1, U = 0.2.
    (0.8, 0.2, 1, PASS), (-0.8, 0.2, 1, PASS), (0.81, 0.2, 1, OPEN), (1.2, 0.2, 1, OPEN),
    (1.21, 0.2, 1, FAIL), (-1.21, 0.2, 1, FAIL),
    # 8.2: simple acceptance, whatever U is, and if it is not known.
    (1.0, 0.2, 0, PASS), (1.01, 0.2, 0, FAIL), (1.0, None, 0, PASS), (1.01, None, 0, FAIL),
    (0.7, 0.2, 1.5, PASS), (0.71, 0.2, 1.5, OPEN),
    # A guard band of an unknown U has no width; a U above the tolerance lets nothing pass.
    (0.0, None, 1, OPEN), (9.0, None, 1, OPEN), (0.0, 1.1, 1, OPEN), (2.2, 1.1, 1, FAIL),
])
def test_decisions(error: float, expanded: float | None, guard: float, decision: Decision) -> None:
    """Pass, fail, and nothing in between that is called one of them."""
    assert decision is Acceptance(limit=1, guard=guard).decide(error, 50, expanded)


def test_a_tolerance_in_per_cent_adds_to_the_limit() -> None:
    """As data sheets say it: so much of the value plus a constant; a negative value counts as its
    size."""
    accept = Acceptance(limit=0.1, percent=2)
    assert [0.1, 1.1, 1.1] == pytest.approx([accept.tolerance(r) for r in (0, 50, -50)])


def test_one_fails_all() -> None:
    """And all must pass to pass."""
    assert [PASS, OPEN, FAIL, FAIL] == [all_of(d) for d in (
        [PASS, PASS], [PASS, OPEN], [OPEN, FAIL, PASS], [FAIL])]


@pytest.mark.parametrize(("limit", "decision"), [(1, PASS), (0.011, OPEN), (0.0001, FAIL)])
def test_a_unit_is_judged_by_its_stored_values(limit: float, decision: Decision) -> None:
    """By every point; one that does not pass is told, and the outcome is not accepted."""
    outcome = outcome_of(LINE + f"acceptance = {{ limit = {limit} }}\n", csv(HEAD, STRAIGHT))
    (unit,) = outcome.units
    (result,) = unit.results
    assert decision is result.left is outcome.decision(unit)
    assert (decision is PASS) == outcome.accepted == (outcome.warnings == ())
    codes = {PASS: [], OPEN: ["PS842"], FAIL: ["PS841"]}
    assert codes[decision] == [f.code for f in outcome.warnings]
    for point, one in zip(result.points, result.left_decisions, strict=True):
        assert point.budget is not None
        band, size = point.budget.expanded, abs(point.stored_error)
        assert one is (PASS if size <= limit - band else FAIL if size > limit + band else OPEN)


def test_without_limits_nothing_is_judged() -> None:
    """No word of pass where nobody said what is accepted."""
    outcome = outcome_of(LINE, csv(HEAD, STRAIGHT))
    assert (None, True) == (outcome.decision(outcome.units[0]), outcome.accepted)
    assert () == outcome.units[0].results[0].left_decisions


def test_two_points_are_not_decidable() -> None:
    """A line through two points has errors of 0 and says nothing."""
    outcome = outcome_of(LINE + "acceptance = { limit = 9 }\n", csv(HEAD, [(20, 0), (30, 100)]))
    (result,) = outcome.units[0].results
    assert OPEN is result.left and not outcome.accepted
    assert math.isclose(0, result.worst_stored.stored_error, abs_tol=1e-9)


def test_points_without_scatter_are_no_proof() -> None:
    """Three points that lie on the line by chance do not make U zero; a stated uncertainty of the
    reference makes it known."""
    exact = csv(HEAD, [(20 + n, 10 * n) for n in range(3)])
    (unknown,) = outcome_of(LINE + "acceptance = { limit = 0.5 }\n", exact).units[0].results
    assert (None, OPEN) == (unknown.budget, unknown.left)
    (known,) = outcome_of(LINE + "acceptance = { limit = 0.5 }\nreference_uncertainty = 0.01\n",
                          exact).units[0].results
    assert PASS is known.left and known.budget is not None and known.budget.combined > 0.009
