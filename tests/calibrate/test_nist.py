"""Against NIST StRD, https://www.itl.nist.gov/div898/strd/: certified values of seven datasets.

Norris is well conditioned, Pontius is not: solved in plain powers of x it loses half the digits.
Wampler 1 and 2 are made by their published formulas; 3 to 5 add one set of deviations, times 1, 100
and 10,000 (from memory; that they have no part of degree 5 or less, and the certified residual,
confirms them). Filip has powers up to 10, more than a recipe takes.
"""

from __future__ import annotations

import csv as csv_module
import math
from pathlib import Path

import pytest

from paramstore.calibrate.result import Result
from tests.calibrate.bench import LINE, result_of

DATA = Path(__file__).parents[1] / "data"

NORRIS = ((1.00211681802045, 0.429796848199937e-03), (-0.262323073774029, 0.232818234301152))
NORRIS_DEVIATION = 0.884796396144373
PONTIUS = ((0.673565789473684e-03, 0.107938612033077e-03),
           (0.732059160401003e-06, 0.157817399981659e-09),
           (-0.316081871345029e-14, 0.486652849992036e-16))
PONTIUS_DEVIATION = 0.205177424076185e-03
"""Certified coefficients, their standard deviations, and residual standard deviations (NIST)."""


WAMPLER_OFF = (
    759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048, -2048, 1838, -2048, 2048,
    -2048, 2523, -2048, 2048, -2048, 759)
WAMPLER_DEVIATIONS = (2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350,
                      5.64566512170752, 0.112324854679312)
WAMPLER_DEVIATION = 2360.14502379268
"""Of Wampler 3; those of 4 and 5 are 100 and 10,000 times as large."""


def fitted(name: str, body: str, reading: str, reference: str) -> Result:
    with (DATA / f"nist_{name}.csv").open(encoding="utf-8") as stream:
        rows = [(row["y"], row["x"]) for row in csv_module.DictReader(stream)]
    return result_of(body, f"reference [{reference}],reading [{reading}]", rows)


def digits(actual: float | None, certified: float) -> float:
    """Return how many digits agree: the log relative error that NIST defines."""
    assert actual is not None
    return -math.log10(max(abs(actual / certified - 1), 1e-15))


def test_norris() -> None:
    """A straight line agrees to 12 digits, coefficients and standard deviations."""
    result = fitted("norris", LINE, "mV", "degC")
    assert 34 == result.freedom
    for number, (value, deviation) in zip(result.numbers, NORRIS, strict=True):
        assert digits(number.fitted, value) >= 12
        assert digits(number.uncertainty, deviation) >= 12
    assert digits(result.deviation, NORRIS_DEVIATION) >= 12


@pytest.mark.parametrize("span", [1, 3_000_000])
def test_pontius(span: int) -> None:
    """A parabola agrees to 12 digits, with the readings as they are, and scaled."""
    result = fitted("pontius", 'model = "polynomial"\nreading_unit = "N"\nreference_unit = "mm"\n'
                    f'coefficients = "cal.abc"\nspan = {span}\n', "N", "mm")
    assert 37 == result.freedom
    for power, (number, (value, deviation)) in enumerate(zip(result.numbers, PONTIUS, strict=True)):
        assert digits(number.fitted, value * span**power) >= 12
        assert digits(number.uncertainty, deviation * span**power) >= 12
    assert digits(result.deviation, PONTIUS_DEVIATION) >= 12


def wampler(base: float, times: int) -> Result:
    """Fit a polynomial of degree 5 to 21 points; its coefficients are powers of `base`."""
    rows = [(sum(base**k * x**k for k in range(6)) + times * off, x)
            for x, off in enumerate(WAMPLER_OFF)]
    return result_of('model = "polynomial"\nreading_unit = "N"\nreference_unit = "mm"\n'
                     'coefficients = "cal.plane"\n', "reference [mm],reading [N]", rows)


@pytest.mark.parametrize(("base", "least"), [(1.0, 9), (0.1, 12)])
def test_wampler_1_and_2(base: float, least: int) -> None:
    """Exact polynomials give their coefficients back: 9 digits, and 12."""
    result = wampler(base, 0)
    assert 15 == result.freedom
    for power, number in enumerate(result.numbers):
        assert digits(number.fitted, base**power) >= least


@pytest.mark.parametrize(("times", "least"), [(1, 9), (100, 9), (10_000, 8)])
def test_wampler_3_to_5(times: int, least: int) -> None:
    """Coefficients of 1 under growing deviations; standard deviations agree to 12 digits."""
    result = wampler(1.0, times)
    assert 15 == result.freedom
    for number, deviation in zip(result.numbers, WAMPLER_DEVIATIONS, strict=True):
        assert digits(number.fitted, 1.0) >= least
        assert digits(number.uncertainty, deviation * times) >= 12
    assert digits(result.deviation, WAMPLER_DEVIATION * times) >= 12


def test_norris_in_f32() -> None:
    """What binary32 keeps of Norris: 7 digits, and the error that costs is told."""
    result = fitted("norris", LINE.replace("cal.gain", "cal.gain_f32").replace(
        "cal.offset", "cal.offset_f32"), "mV", "degC")
    for number, (value, _) in zip(result.numbers, NORRIS, strict=True):
        assert 7 < digits(number.stored, value) < 10
    gain, offset = result.numbers
    high = max(p.reading for p in result.points)
    ends = [abs(gain.stored * x + offset.stored - gain.fitted * x - offset.fitted)
            for x in (min(p.reading for p in result.points), high)]
    assert max(ends) == pytest.approx(result.storage_error, rel=1e-9)
    assert 0 < result.storage_error < 1e-4
