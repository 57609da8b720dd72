"""Curves: bad points are told and do not bend them, exact points give exact curves, and what is
said of their uncertainty holds (fixed seeds; the figures are in `programs/calibration_figures`)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.result import OutlierState, Result
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.disk import read_text
from paramstore.core.errors import SourceText
from paramstore.schema.reader import load_schema
from tests.calibrate.bench import LINE, result_of
from tests.report.test_calibration import SCHEMAS, shipped

CURVE = 'model = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\ncurve = "cal.curve"\n'
FINE = CURVE.replace("cal.curve", "cal.bend")
TENTHS = CURVE.replace("cal.curve", "cal.tenths")
HEAD = "reference [degC],reading [mV]"


def knots(result: Result, name: str) -> tuple[float, ...]:
    return tuple(map(float, result.raws["cal"][f"{name}.x"]))


def test_a_mistyped_reading_is_told_and_does_not_bend_the_curve() -> None:
    """2746 typed as 2476 in the shipped table: an outlier, and no breakpoint."""
    text = (SCHEMAS / "tank_probe.conductivity.csv").read_text("utf-8")
    good = shipped("conductivity").results[0]
    assert not any(p.outlier for p in good.points)
    assert "2760,2746" in text
    wrong = _shipped_with(text.replace("2760,2746", "2760,2476"))
    assert [2476] == [p.reading for p in wrong.points if p.outlier]
    assert 2476 not in wrong.raws["factory"]["ec_curve.x"]


def _shipped_with(text: str) -> Result:
    schema, _ = load_schema(SCHEMAS / "tank_probe.toml")
    recipe = read_recipe(schema, read_text(SCHEMAS / "tank_probe.calibration.toml"))
    calibration = recipe.calibration("conductivity")
    assert calibration is not None
    outcome = calibrate(recipe, {"conductivity": read_table(SourceText("t.csv", text),
                                                            calibration)})
    return outcome.results[0]


@pytest.mark.parametrize("at", [4, 13, 22])
def test_an_error_of_ten_times_the_scatter_is_told(at: int) -> None:
    """Among 30 points of a bent line, where chance makes one more now and then."""
    random = np.random.default_rng(at)
    x = np.linspace(10, 1000, 30).round()
    y = np.interp(x, [10, x[10], 1000], [0, 30, 50]) + 0.05 * random.standard_normal(30)
    y[at] += 0.5
    result = result_of(CURVE, HEAD, zip(y, x, strict=True))
    outliers = [p.reading for p in result.points if p.outlier]
    assert x[at] in outliers and len(outliers) <= 2


def test_a_point_with_a_breakpoint_of_its_own_cannot_be_judged() -> None:
    """As many readings as points: the curve goes through all, right or wrong."""
    result = result_of(CURVE, HEAD, [(1, 10), (2, 20), (9, 30), (4, 40), (5, 50)])
    assert {OutlierState.UNKNOWN} == {p.state for p in result.points}


def test_half_a_step_at_an_end() -> None:
    """Perfect data whose first reading lies between two stored x give a perfect curve."""
    readings = [5.95, *range(10, 45, 5)]
    result = result_of(TENTHS, HEAD, [(x, x) for x in readings])
    assert max(abs(p.stored_error) for p in result.points) < 0.051
    assert max(abs(p.error) for p in result.points) < 1e-9
    assert not any(p.outlier for p in result.points)


@pytest.mark.parametrize("seed", range(20))
def test_exact_lines_give_exact_curves(seed: int) -> None:
    """Whatever the readings, and the steps in which x is stored."""
    random = np.random.default_rng(seed)
    x = np.sort(random.uniform(0, 3000, int(random.integers(6, 40))))
    for body, name in ((CURVE, "curve"), (TENTHS, "tenths"), (FINE, "bend")):
        result = result_of(body, HEAD, [(0.3 * v - 20, v) for v in x])
        assert max(abs(p.error) for p in result.points) < 1e-9
        if name != "bend":
            assert min(b - a for a, b in pairwise(knots(result, name))) > 1


def test_exact_points_give_bends_between_readings() -> None:
    """Readings 10 mV apart of a curve that bends at 33 and 67 mV, places that x can store."""
    x = np.arange(0, 101, 10.0)
    result = result_of(FINE.replace("bend", "tenths"), HEAD, zip(
        np.interp(x, [0, 33, 67, 100], [0, 5, -8, 20]), x, strict=True))
    assert (0, 330, 670, 1000) == knots(result, "tenths")
    assert max(abs(p.error) for p in result.points) < 1e-9


def test_the_uncertainty_of_curves_that_bend_between_readings() -> None:
    """Sharp bends half-way between two readings: U holds the truth as often as it says."""
    random = np.random.default_rng(8)
    x = np.linspace(0, 100, 29)
    inside = total = 0
    for _ in range(12):
        bends = [0, *(random.choice(np.arange(20, 80, 15), 2, replace=False) + 5.1), 100]
        true = np.interp(x, np.sort(bends), random.uniform(-20, 20, 4))
        result = result_of(TENTHS, HEAD, zip(true + 0.1 * random.standard_normal(29), x,
                                             strict=True))
        for point, value in zip(result.points, true, strict=True):
            assert point.expanded is not None
            inside += abs(point.reference + point.error - value) < point.expanded
            total += 1
    assert 0.88 * total < inside


def test_a_point_alone_on_its_piece_cannot_be_judged() -> None:
    """Two readings between two sharp bends: either may be wrong, so neither is called right."""
    random = np.random.default_rng(9)
    x = np.arange(0, 200, 10.0)
    y = np.interp(x, [0, 85, 105, 190], [0, 8, -9, -1]) + 0.01 * random.standard_normal(20)
    result = result_of(FINE, HEAD, zip(y, x, strict=True))
    assert [90, 100] == [p.reading for p in result.points if p.state is OutlierState.UNKNOWN]
    assert not any(p.outlier for p in result.points)


def test_breakpoints_are_farther_apart_than_readings_repeat() -> None:
    """Readings that differ by 1 mV at one reference make no breakpoints 1 mV apart."""
    random = np.random.default_rng(1)
    rows = [(y, 10 * y + random.standard_normal()) for y in (0.0, 20, 40, 60, 80, 100)
            for _ in range(4)]
    at = knots(result_of(FINE, HEAD, rows), "bend")
    assert min(b - a for a, b in pairwise(at)) > 4


def test_the_choice_of_breakpoints_is_part_of_the_uncertainty() -> None:
    """U of the heights holds the truth as often as it says, at 12 points of a straight line."""
    random = np.random.default_rng(7)
    x = np.linspace(0, 110, 12)
    inside = total = 0
    for _ in range(20):
        result = result_of(FINE, HEAD, zip(0.5 * x + random.standard_normal(12), x, strict=True))
        for point in result.points:
            assert point.budget is not None
            inside += abs(point.reference + point.error - 0.5 * point.reading
                          ) < point.budget.expanded
            total += 1
    assert 0.90 * total < inside
    assert result.budget is not None
    assert ["scatter of the points, choice of breakpoints"] == [
        e.name for e in result.budget.entries]


def test_a_common_error_of_the_reference_is_not_averaged_away() -> None:
    """100 points and one standard of u = 0.01: no value is surer than 0.01."""
    random = np.random.default_rng(5)
    rows = [(0.5 * x + 1e-4 * random.standard_normal(), x) for x in range(100)]
    result = result_of(LINE + "reference_uncertainty = 0.01\nreference_drift = 0.01\n", HEAD, rows)
    assert result.budget is not None
    entries = {e.name: e for e in result.budget.entries}
    assert entries["reference, all points"].uncertainty == pytest.approx(0.01)
    assert entries["drift of the reference"].uncertainty == pytest.approx(0.01 / 3**0.5)
    assert entries["reference, all points"].common
    assert 0.01 < result.budget.combined < 0.0125
