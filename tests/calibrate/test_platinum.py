"""Platinum resistance thermometers, against IEC 60751:2008 (table and equation)."""

from __future__ import annotations

import numpy as np
import pytest

from paramstore.calibrate.equations import IEC_60751, temperature_of
from tests.calibrate.bench import messages, result_of

TABLE = {-200: 18.52, -100: 60.26, 0: 100.00, 100: 138.51, 400: 247.09, 850: 390.48}
"""Resistance in ohm of a Pt100 by temperature in degC, IEC 60751:2008."""
HEAD = "reference [degC],reading [ohm]"
R0 = 'model = "platinum"\nr0 = "cal.pt_r0"\n'
FULL = R0 + 'a = "cal.pt_a"\nb = "cal.pt_b"\n'
COLD = FULL + 'c = "cal.pt_c"\n'


def ohm(t: float, r0: float = 100, scale: float = 1) -> float:
    a, b, c = IEC_60751
    a *= scale
    return r0 * (1 + a * t + b * t * t + (c * (t - 100) * t**3 if t < 0 else 0))


@pytest.mark.parametrize(("celsius", "resistance"), TABLE.items())
def test_printed_table(celsius: int, resistance: float) -> None:
    """The printed resistance gives its temperature, within its rounding."""
    (t,) = temperature_of(np.array([resistance / 100]), *IEC_60751)
    assert t == pytest.approx(celsius, abs=0.0051 / 0.29)


@pytest.mark.parametrize("body", [R0, FULL, COLD])
def test_exact_points_give_the_equation_back(body: str) -> None:
    """r0, a and b of a thermometer that is none of the standard; c where it is fitted."""
    scale = 1 if body is R0 else 1.002
    rows = [(t, ohm(t, 100.3, scale)) for t in range(-190, 650, 40)]
    result = result_of(body, HEAD, rows)
    a, b, c = IEC_60751
    expected = [100.3, a * scale, b, c][:len(result.numbers)]
    assert [n.fitted for n in result.numbers] == pytest.approx(expected, rel=1e-7)
    assert max(abs(p.error) for p in result.points) < 1e-9


def test_an_error_is_one_of_temperature() -> None:
    """0.1 K at one of eight points, known to 0.05 K: the residual and u are in degC."""
    rows = [(t + (0.1 if t == 200 else 0), ohm(t), 0.05) for t in range(-100, 700, 100)]
    result = result_of(R0, HEAD + ",uncertainty [degC]", rows)
    assert result.points[3].error == pytest.approx(-0.1, abs=0.02)
    assert result.fit_uncertainty is not None and 0.01 < result.fit_uncertainty < 0.2


def test_a_common_error_of_the_reference_moves_the_temperature_as_much() -> None:
    """r0, a and b follow a shift of all references: u of what is shown is that of the shift."""
    rows = [(t, ohm(t), 1e-6) for t in range(0, 400, 40)]
    result = result_of(FULL + "reference_uncertainty = 0.02\n", HEAD + ",uncertainty [degC]", rows)
    assert result.budget is not None
    shared = next(e for e in result.budget.entries if e.common)
    assert shared.uncertainty == pytest.approx(0.02, rel=0.01)


def test_a_without_b_is_refused() -> None:
    """Half an equation is none."""
    assert "PS804" in messages(R0 + 'a = "cal.pt_a"\n', HEAD + "\n1,2\n")
