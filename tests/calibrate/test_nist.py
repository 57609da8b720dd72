"""Against NIST StRD, https://www.itl.nist.gov/div898/strd/: certified values of two datasets.

Norris is well conditioned, Pontius is not: solved in plain powers of x it loses half the digits.
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
