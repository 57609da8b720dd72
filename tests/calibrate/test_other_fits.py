"""Fits that are not least squares of the reference: both axes, and the least largest error."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from paramstore.calibrate.leastsq import least_squares
from paramstore.calibrate.models import Rows, design
from paramstore.calibrate.other_fits import fit_both_axes, least_largest
from tests.calibrate.bench import LINE, result_of

HEAD = "reference [degC],reading [mV]"
KEYS = frozenset({"gain", "offset"})
OPTIONS = {"equation": "reference = gain * reading + offset", "tempco": None}


@pytest.mark.parametrize("seed", range(5))
def test_a_line_with_both_axes_uncertain_is_that_of_scipy(seed: int) -> None:
    """The same gain and offset as orthogonal distance regression by scipy, to 1e-5 of u."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from scipy import odr
    random = np.random.default_rng(seed)
    true = np.linspace(0, 10, 12)
    x, y = true + 0.5 * random.standard_normal(12), 2 * true + 1 + random.standard_normal(12)
    u = np.full(12, 1.0)
    rows = Rows(y, x, np.full(12, 25.0))
    model = design("line", rows, OPTIONS, KEYS, 1)
    fit, _ = fit_both_axes(model, rows, least_squares(model.columns, model.target, u), 0.5, u)
    ours = model.outputs(fit.coefficients)
    run = odr.ODR(odr.RealData(x, y, sx=0.5, sy=1.0), odr.unilinear, beta0=[2.0, 1.0],
                  sstol=1e-15, partol=1e-15, maxit=500).run()
    theirs = {"gain": run.beta[0], "offset": run.beta[1]}
    for index, key in enumerate(("gain", "offset")):
        assert abs(ours[key] - theirs[key]) < 1e-5 * run.sd_beta[index] + 1e-9


def test_noise_of_the_readings_does_not_flatten_the_line() -> None:
    """Half the scatter of readings spread over 10: least squares of the reference give a gain too
    small by some per cent, both axes give the true one in the mean."""
    random = np.random.default_rng(9)
    true = np.linspace(0, 10, 20)
    gains = []
    for _ in range(150):
        table = list(zip(2 * true, true + random.standard_normal(20), strict=True))
        gains.append([result_of(LINE + noise, HEAD, table).numbers[0].fitted
                      for noise in ("", "reading_noise = 1\n")])
    plain, both = np.mean(gains, axis=0)
    assert plain < 1.9
    assert both == pytest.approx(2, abs=0.03)


def test_the_least_largest_error_of_a_parabola() -> None:
    """Straight lines over pieces of 1 miss x^2 by 1/8 at best (P. L. Chebyshev): so does the curve,
    where least squares miss by more."""
    rows = [(x * x, x) for x in np.arange(301) / 100]
    body = ('model = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\n'
            'curve = "cal.bend"\n')
    least = result_of(body + 'smallest = "largest"\n', HEAD, rows)
    assert abs(least.worst.error) == pytest.approx(0.125, rel=0.1)
    assert abs(result_of(body, HEAD, rows).worst.error) > abs(least.worst.error)


def test_an_outlier_is_told_whatever_a_curve_makes_smallest() -> None:
    """Eight times the scatter, at breakpoints that the readings give: the least largest error
    spreads over all points, but a wrong point is seen against least squares."""
    random = np.random.default_rng(2)
    rows = [[x / 10 + 0.01 * random.standard_normal(), x] for x in (0, 30, 60, 100) * 6]
    rows[9][0] += 0.08
    result = result_of('model = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\n'
                       'curve = "cal.bend"\nsmallest = "largest"\n', HEAD, rows)
    assert [9] == [i for i, p in enumerate(result.points) if p.outlier]


def test_both_axes_to_the_last_digits() -> None:
    """With exact references a line is that of least squares of the readings, to 1e-9 of u."""
    random = np.random.default_rng(3)
    y = random.uniform(0, 100, 20)
    x = 2 * y - 3 + random.standard_normal(20)
    gain, offset = np.polynomial.Polynomial.fit(y, x, 1).convert().coef[::-1]
    result = result_of(LINE + "reading_noise = 1\n", HEAD, zip(y, x, strict=True))
    for number, wanted in zip(result.numbers, (1 / gain, -offset / gain), strict=True):
        assert number.uncertainty is not None
        assert abs(number.fitted - wanted) < 1e-9 * number.uncertainty


@pytest.mark.parametrize("seed", range(20))
def test_no_line_has_a_smaller_largest_error(seed: int) -> None:
    """For random points: the best of all lines through two points, moved half way to the third
    (the solution lies among them), is no better."""
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 1, 7), random.uniform(0, 1, 7)
    columns = np.column_stack([np.ones(7), x])
    fit = least_largest(columns, y, np.ones(7), least_squares(columns, y))
    best = np.inf
    for i in range(7):
        for j in range(i):
            off = y - (y[i] + (y[j] - y[i]) / (x[j] - x[i]) * (x - x[i]))
            best = min(best, float(np.ptp(off)) / 2)
    assert np.abs(fit.residuals).max() == pytest.approx(best, rel=1e-9)
