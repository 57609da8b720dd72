"""The worked examples H.2 and H.3 of the GUM (JCGM 100:2008)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from paramstore.calibrate.leastsq import Fit, least_squares
from paramstore.calibrate.reach import spread_of

OBSERVED = np.array([[5.007, 19.663e-3, 1.0456], [4.994, 19.639e-3, 1.0438],
                     [5.005, 19.640e-3, 1.0468], [4.990, 19.685e-3, 1.0428],
                     [4.999, 19.678e-3, 1.0433]])
"""H.2, table H.2: amplitudes of voltage in V and current in A, phase in rad."""

THERMOMETER = np.array([
    [21.521, -0.171], [22.012, -0.169], [22.512, -0.166], [23.003, -0.159], [23.507, -0.164],
    [23.999, -0.165], [24.513, -0.156], [25.002, -0.157], [25.503, -0.159], [26.010, -0.161],
    [26.511, -0.160]])
"""H.3, table H.6: temperature and correction in degC."""


def test_resistance_and_reactance() -> None:
    """H.2: correlated means go through V/I cos phi, V/I sin phi and V/I as printed."""
    means = OBSERVED.mean(axis=0)
    covariance = np.cov(OBSERVED.T) / len(OBSERVED)
    fit = Fit(means, covariance, np.zeros(5), np.zeros(5), 4, None, np.zeros((3, 5)))

    def results(x: Any) -> Any:
        return np.array([x[0] / x[1] * np.cos(x[2]), x[0] / x[1] * np.sin(x[2]), x[0] / x[1]])

    assert results(means) == pytest.approx([127.732, 219.847, 254.260], abs=5e-4)
    # The printed 0.295 comes of rounded means and correlations; unrounded ones give 0.2956.
    assert spread_of(results, fit) == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    # Correlation from the uncertainty of a sum: u^2(R + X) = u^2(R) + u^2(X) + 2 r u(R) u(X).
    for i, j, printed in ((0, 1, -0.588), (0, 2, -0.485), (1, 2, 0.993)):
        u = spread_of(results, fit)
        total = spread_of(lambda x, i=i, j=j: results(x)[[i]] + results(x)[[j]], fit)
        assert u is not None and total is not None
        r = (total[0]**2 - u[i]**2 - u[j]**2) / (2 * u[i] * u[j])
        assert r == pytest.approx(printed, abs=5e-4)


def test_thermometer() -> None:
    """H.3: intercept at 20 degC and slope with uncertainties and correlation, and the correction
    at 30 degC."""
    x = THERMOMETER[:, 0] - 20
    fit = least_squares(np.column_stack([np.ones_like(x), x]), THERMOMETER[:, 1])
    assert fit.covariance is not None
    assert fit.coefficients == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    u = np.sqrt(np.diag(fit.covariance))
    assert u == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert fit.covariance[0, 1] / u.prod() == pytest.approx(-0.930, abs=5e-4)
    assert (9, 0.0035) == (fit.freedom, pytest.approx(fit.scale, abs=5e-5))
    at = spread_of(lambda c: np.array([c[0] + 10 * c[1]]), fit)
    assert fit.coefficients @ [1, 10] == pytest.approx(-0.1494, abs=5e-5)
    assert at == pytest.approx([0.0041], abs=5e-5)
