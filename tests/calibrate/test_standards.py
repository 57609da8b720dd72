"""The models against values that no one here made, the source beside each."""

from __future__ import annotations

import math

import pytest

from paramstore.calibrate.models import nernst_mv
from paramstore.calibrate.result import Result
from tests.calibrate.bench import result_of

NTC = 'model = "steinhart-hart"\ncoefficients = "cal.abc"\n'
NTC_HEAD = "reference [degC],reading [ohm]"

# Published by ILX Lightwave (manual of the LDC-3900, page 180; LDT-5525, appendix A) for the
# 10 kohm thermistor Dale 1T1002-5. The table prints 5331 ohm at 40 degC, 0.47 degC off its
# neighbours: a misprint for 5231, which the published error of 0.0003 degC confirms.
DALE = {0: 32128, 10: 19549, 20: 12262, 25: 9814, 30: 7908, 40: 5231, 50: 3542}

# R0 = 100 ohm, IEC 60751 with A = 3.9083e-3, B = -5.775e-7; rounded values are those of its table
# (100 degC: 138.51, 200: 175.86, 400: 247.09).
PT100 = {0: 100.0, 25: 109.73466, 100: 138.5055, 200: 175.856, 400: 247.092, 850: 390.48112}

# Slope of an ideal electrode in mV/pH, as all-about-ph.com prints it.
NERNST = {0: 54.20, 10: 56.18, 20: 58.17, 25: 59.16, 30: 60.15, 40: 62.14, 50: 64.12, 60: 66.10,
          70: 68.09, 80: 70.07, 90: 72.06}


def fitted(result: Result) -> list[float]:
    return [n.fitted for n in result.numbers]


def test_thermistor_table() -> None:
    """Three of the published points give coefficients that meet the others within 3 mK."""
    three = result_of(NTC, NTC_HEAD, [(t, DALE[t]) for t in (0, 25, 50)])
    # The exact solution, computed from the three points with 15 digits.
    assert fitted(three) == pytest.approx([1.10415912e-3, 2.38917947e-4, 6.93162653e-8], rel=1e-8)
    a, b, c = fitted(three)
    for celsius, ohm in DALE.items():
        log = math.log(ohm)
        assert 1 / (a + b * log + c * log**3) - 273.15 == pytest.approx(celsius, abs=0.003)


def test_misprint_is_told_as_an_outlier() -> None:
    """With 5331 ohm at 40 degC, as printed, that point is told; with 5231 none is."""
    printed = result_of(NTC, NTC_HEAD, (DALE | {40: 5331}).items())
    assert [5331] == [p.reading for p in printed.points if p.outlier]
    assert [] == [p for p in result_of(NTC, NTC_HEAD, DALE.items()).points if p.outlier]


def test_common_thermistor() -> None:
    """The coefficients on the sheet of a common 10 kohm module (Iduino) come back."""
    a, b, c = 1.129148e-3, 2.34125e-4, 8.76741e-8
    rows = [(1 / (a + b * math.log(r) + c * math.log(r)**3) - 273.15, r)
            for r in (32650, 10000, 5000, 3603, 1000)]
    # Published with the sheet's coefficients: these temperatures to 5 decimals.
    assert [t for t, _ in rows] == pytest.approx(
        [0.00022, 24.99967, 41.57212, 49.98566, 87.16814], abs=1e-5)
    assert fitted(result_of(NTC, NTC_HEAD, rows)) == pytest.approx([a, b, c], rel=1e-9)


def test_platinum_polynomial() -> None:
    """A parabola through the points of IEC 60751 has its A and B."""
    result = result_of('model = "polynomial"\nreading_unit = "degC"\nreference_unit = "ohm"\n'
                       'coefficients = "cal.abc"\n', "reference [ohm],reading [degC]",
                       [(r, t) for t, r in PT100.items()])
    r0, first, second = fitted(result)
    assert (r0, first / r0, second / r0) == pytest.approx((100, 3.9083e-3, -5.775e-7), rel=1e-5)
    assert abs(result.worst.error) < 1e-4


def test_platinum_curve_within_class_a() -> None:
    """Five points of a curve meet the platinum thermometer from -50 to 150 degC within class A,
    0.15 + 0.002 |t|, stored in hundredths of a degree."""
    def ohm(t: float) -> float:
        below = -4.183e-12 * (t - 100) * t**3 if t < 0 else 0
        return 100 * (1 + 3.9083e-3 * t - 5.775e-7 * t**2 + below)

    assert ohm(-50) == pytest.approx(80.30628, abs=1e-5)  # IEC 60751: 80.31
    rows = [(t, ohm(t)) for t in range(-50, 151, 5)]
    result = result_of('model = "curve"\nreading_unit = "ohm"\nreference_unit = "degC"\n'
                       'curve = "cal.bend"\n', "reference [degC],reading [ohm]", rows)
    for point in result.points:
        assert abs(point.stored_error) < 0.15 + 0.002 * abs(point.reference)


@pytest.mark.parametrize(("celsius", "slope"), NERNST.items())
def test_nernst_slope(celsius: int, slope: float) -> None:
    """The ideal slope agrees with the printed table; 25 degC: 59.1593 mV/pH (CODATA 2018)."""
    assert nernst_mv(celsius) == pytest.approx(slope, abs=0.0051)
    assert nernst_mv(25) == pytest.approx(59.1593, abs=5e-5)


def test_slope_in_per_cent() -> None:
    """57 mV for one pH at 25 degC is 96.3 % of the ideal slope (instmates.com)."""
    result = result_of('model = "ph"\nslope = "cal.slope"\nzero = "cal.zero"\n',
                       "reference [pH],reading [mV],temperature [degC]", [(7, 0, 25), (6, 57, 25)])
    (slope,) = result.facts
    assert slope.value == pytest.approx(96.35, abs=0.005)
    assert [-57.0, 0.0] == pytest.approx(fitted(result), abs=1e-9)


def test_conductivity_refers_to_25_degrees() -> None:
    """600 uS/cm at 35 degC is 500 uS/cm at 25 degC with 2 %/K (common practice): gain 1."""
    result = result_of('model = "line"\nreading_unit = "uS/cm"\nreference_unit = "uS/cm"\n'
                       'gain = "cal.gain"\ntempco = 2.0\n',
                       "reference [uS/cm],reading [uS/cm],temperature [degC]", [(500, 600, 35)])
    assert fitted(result) == pytest.approx([1.0], rel=1e-12)
