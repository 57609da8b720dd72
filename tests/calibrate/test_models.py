"""Laws of the models: exact points give the exact parameters back, in any units, and what is told
about the stored values holds at every point."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from paramstore.calibrate.keys import EQUATIONS
from paramstore.calibrate.result import Result
from tests.calibrate.bench import LINE, messages, result_of

GAINS = st.floats(0.1, 10).map(lambda x: round(x, 4)) | st.floats(-10, -0.1)
OFFSETS = st.floats(-100, 100).map(lambda x: round(x, 4))
READINGS = st.lists(st.integers(-1000, 1000), min_size=3, max_size=8, unique=True)
HEAD = "reference [degC],reading [mV]"


def fitted(result: Result) -> list[float]:
    return [n.fitted for n in result.numbers]


@given(GAINS, OFFSETS, READINGS, st.sampled_from(EQUATIONS))
def test_line(gain: float, offset: float, readings: list[int], equation: str) -> None:
    """Points on a line give gain and offset in the meaning of each equation."""
    value = {
        EQUATIONS[0]: lambda x: gain * x + offset,
        EQUATIONS[1]: lambda x: (x - offset) / gain,
        EQUATIONS[2]: lambda x: gain * (x - offset),
    }[equation]
    result = result_of(LINE + f'equation = "{equation}"\n', HEAD, [(value(x), x) for x in readings])
    assert fitted(result) == pytest.approx([gain, offset], rel=1e-8, abs=1e-8)
    assert abs(result.worst.error) < 1e-9


@given(GAINS, st.lists(st.integers(1, 1000), min_size=1, max_size=4))
def test_gain_or_offset_alone(number: float, readings: list[int]) -> None:
    """One of the two may be fixed; then one point is enough."""
    alone = [line for line in LINE.splitlines(keepends=True) if "offset" not in line]
    result = result_of("".join(alone), HEAD, [(number * x, x) for x in readings])
    assert fitted(result) == pytest.approx([number], rel=1e-9)
    alone = [line.replace("degC", "mV") for line in LINE.splitlines(True) if "gain" not in line]
    result = result_of("".join(alone), "reference [mV],reading [mV]",
                       [(x + number, x) for x in readings])
    assert fitted(result) == pytest.approx([number], rel=1e-9, abs=1e-9)


@given(st.lists(st.integers(-9, 9), min_size=4, max_size=4), st.integers(-3, 3),
       st.sampled_from([1, 8, 0.5]))
def test_polynomial(coefficients: list[int], centre: int, span: float) -> None:
    """Points on a cubic give its coefficients, in powers of the centred reading."""
    assume(any(coefficients[1:]))

    def value(reading: float) -> float:
        x = (reading - centre) / span
        return sum(c * x**k for k, c in enumerate(coefficients))

    result = result_of('model = "polynomial"\nreading_unit = "mV"\nreference_unit = "degC"\n'
                       f'coefficients = "cal.poly"\ncentre = {centre}\nspan = {span}\n', HEAD,
                       [(value(x), x) for x in range(-4, 5)])
    assert fitted(result) == pytest.approx(coefficients, rel=1e-9, abs=1e-8)


def test_polynomial_of_lower_degree() -> None:
    """Coefficients above the degree are 0, exactly."""
    result = result_of('model = "polynomial"\nreading_unit = "mV"\nreference_unit = "degC"\n'
                       'coefficients = "cal.poly"\ndegree = 1\n', HEAD,
                       [(1 + 2 * x + x % 2, x) for x in range(6)])
    assert [0.0, 0.0] == fitted(result)[2:]
    assert 4 == result.freedom


@given(st.lists(st.integers(-9, 9), min_size=6, max_size=6), st.sampled_from([0, 50]),
       st.sampled_from([1, 25]))
def test_polynomial_in_reading_and_temperature(coefficients: list[int], centre: int, span: int
                                               ) -> None:
    """Points at three temperatures give the six coefficients of degree 2 back."""
    def value(reading: float, celsius: float) -> float:
        x, y = (reading - centre) / span, celsius - 25
        terms = (1, x, y, x * x, x * y, y * y)
        return sum(c * t for c, t in zip(coefficients, terms, strict=True))

    rows = [(value(x, t), x, t) for x in (0, 30, 60, 100) for t in (5, 25, 45)]
    assume(len({row[0] for row in rows}) > 1)
    result = result_of('model = "polynomial-temperature"\nreading_unit = "mV"\n'
                       'reference_unit = "degC"\ncoefficients = "cal.plane"\n'
                       f'centre = {centre}\nspan = {span}\n',
                       HEAD + ",temperature [degC]", rows)
    assert fitted(result) == pytest.approx(coefficients, rel=1e-8, abs=1e-7)
    assert result.equation.endswith("y = temperature - 25 degC")


def test_a_polynomial_in_two_variables_has_3_6_or_10_coefficients() -> None:
    """An array of 4 is refused."""
    assert "is not an array of `3`, `6` or `10`" in messages(
        'model = "polynomial-temperature"\nreading_unit = "mV"\nreference_unit = "degC"\n'
        'coefficients = "cal.poly"\n', HEAD + "\n1,2\n")


@given(st.floats(2000, 5000), st.floats(1000, 100_000))
def test_beta(beta: float, r25: float) -> None:
    """Points of a thermistor give beta and R at 25 degC, in the unit of the parameter."""
    def ohm(celsius: float) -> float:
        return r25 * math.exp(beta * (1 / (celsius + 273.15) - 1 / 298.15))

    body = 'model = "beta"\nbeta = "cal.beta"\nr25 = "cal.r25"\n'
    rows = [(t, ohm(t)) for t in (0, 20, 40, 60)]
    result = result_of(body, "reference [degC],reading [ohm]", rows)
    assert fitted(result) == pytest.approx([beta, r25 / 1000], rel=1e-9)
    assert [p.error for p in result.points] == pytest.approx([0.0] * 4, abs=1e-6)
    kilo = result_of(body + 'reading_unit = "kohm"\n', "reference [degC],reading [kohm]",
                     [(t, r / 1000) for t, r in rows])
    assert fitted(kilo) == pytest.approx(fitted(result), rel=1e-9)


@given(st.floats(-65, -45), st.floats(-25, 25), st.lists(st.integers(5, 45), min_size=3,
                                                         max_size=3))
def test_electrode(slope: float, zero: float, temperatures: list[int]) -> None:
    """Buffers at different temperatures give the slope at 25 degC and the voltage at pH 7."""
    rows = [(ph, zero + slope * (t + 273.15) / 298.15 * (ph - 7), t)
            for ph, t in zip((4.01, 7.0, 10.02), temperatures, strict=True)]
    result = result_of('model = "ph"\nslope = "cal.slope"\nzero = "cal.zero"\n'
                       'temperature = "cal.buffers"\n',
                       "reference [pH],reading [mV],temperature [degC]", rows)
    assert fitted(result) == pytest.approx([slope, zero, sum(temperatures) / 3], abs=1e-8)
    assert abs(result.worst.error) < 1e-9


@given(st.floats(2.45, 2.55), st.floats(-0.0004, 0.0004))
def test_converter(reference: float, offset: float) -> None:
    """Known voltages give the true reference and the offset, as volts or as a gain."""
    rows = [(offset + reference * x / 4096, x) for x in (100, 1000, 3000, 4000)]
    body = 'model = "adc"\nfull_scale = 4096\noffset = "cal.offset_uv"\n'
    head = "reference [V],reading [count]"
    result = result_of(body + 'reference_voltage = "cal.vref"\n', head, rows)
    assert sorted(fitted(result)) == pytest.approx(sorted([reference, offset * 1e6]), abs=1e-6)
    result = result_of(body + 'gain = "cal.gain"\nnominal = 2.5\n', head, rows)
    assert sorted(fitted(result)) == pytest.approx(sorted([reference / 2.5, offset * 1e6]),
                                                   abs=1e-6)
    facts = {f.name: f.value for f in result.facts}
    # As data sheets have it: shown minus true, in per cent of true, and in steps at 0.
    assert facts["gain error"] == pytest.approx(100 * (2.5 / reference - 1), abs=1e-9)
    assert facts["offset error"] == pytest.approx(-offset / (reference / 4096), abs=1e-6)


@pytest.mark.parametrize("gives", ["value", "difference", "percent"])
def test_curve(gives: str) -> None:
    """Points on straight lines that bend where some were measured are met, whatever it gives."""
    correction = {100: 1.0, 300: 4.0, 500: -2.0, 900: 0.0}

    def of(x: int) -> float:
        keys = list(correction)
        a, b = next((a, b) for a, b in pairwise(keys) if a <= x <= b)
        y = correction[a] + (correction[b] - correction[a]) * (x - a) / (b - a)
        return {"value": y, "difference": x + y}.get(gives, x * (1 + y / 100))

    result = result_of('model = "curve"\nreading_unit = "mV"\nreference_unit = "mV"\n'
                       f'curve = "cal.bend"\ngives = "{gives}"\n', "reference [mV],reading [mV]",
                       [(of(x), x) for x in range(100, 901, 50)])
    assert (100.0, 300.0, 500.0, 900.0) == result.raws["cal"]["bend.x"]
    assert fitted(result) == pytest.approx(list(correction.values()), abs=1e-9)
    assert [p.error for p in result.points] == pytest.approx([0.0] * 17, abs=1e-9)


@given(st.lists(st.tuples(st.floats(-50, 150), st.integers(0, 1000)), min_size=2, max_size=25,
                unique_by=lambda row: row[1]))
def test_storage_error_is_a_bound(rows: list[tuple[float, int]]) -> None:
    """At no point does storing change more than is told, for steps of any size."""
    assume(len({reference for reference, _ in rows}) > 1)  # a flat line is refused (PS832)
    for body in (
        LINE.replace("cal.gain", "cal.gain_steps").replace("cal.offset", "cal.offset_f32"),
        LINE.replace("cal.gain", "cal.gain_f32") + "from = -10\nto = 2000\n",
        'model = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\ncurve = "cal.curve"\n',
    ):
        if "curve" in body and max(r for _, r in rows) - min(r for _, r in rows) < 4:
            continue
        result = result_of(body, HEAD, rows)
        for point in result.points:
            assert abs(point.stored_error - point.error) <= result.storage_error + 1e-12


@given(st.integers(2, 6), st.integers(-3, 3), st.integers(-3, 3))
def test_other_units_give_the_same_sensor(points: int, reading: int, reference: int) -> None:
    """Readings and references times powers of ten give the same line times those powers."""
    rows = [(2 * x + (-1)**x * 0.1, x) for x in range(points)]
    plain = result_of(LINE, HEAD, rows)
    scaled = result_of(LINE, HEAD, [(y * 10.0**reference, x * 10.0**reading) for y, x in rows])
    factors = (10.0**(reference - reading), 10.0**reference)
    assert fitted(scaled) == pytest.approx(
        [n * f for n, f in zip(fitted(plain), factors, strict=True)], rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("centre", "span", "x"), [
    (0, 1, "reading"), (2, 1, "(reading - 2)"), (0, 8, "reading / 8"),
    (2, 8, "(reading - 2) / 8"), (-3, 0.5, "(reading - -3) / 0.5")])
def test_the_equation_of_a_polynomial_says_what_x_is(centre: int, span: float, x: str) -> None:
    """Without a division by 1 or a difference to 0 that nobody asked for."""
    result = result_of('model = "polynomial"\nreading_unit = "mV"\nreference_unit = "degC"\n'
                       f'coefficients = "cal.poly"\ncentre = {centre}\nspan = {span}\n', HEAD,
                       [(x, x) for x in range(-4, 5)])
    assert f"reference = c0 + c1 x + c2 x^2 + ..., x = {x}" == result.equation


@pytest.mark.parametrize(("body", "units"), [
    (LINE, ["degC/mV", "degC"]),
    (LINE + 'equation = "reading = gain * reference + offset"\n', ["mV/degC", "mV"]),
    ('model = "polynomial"\nreading_unit = "mV"\nreference_unit = "degC"\n'
     'coefficients = "cal.abc"\n', ["", "", ""]),
    ('model = "adc"\nreference_unit = "degC"\nfull_scale = 4096\nnominal = 2\n'
     'gain = "cal.gain"\noffset = "cal.offset"\n', ["", "degC"]),
])
def test_numbers_have_the_unit_that_follows_from_the_table(body: str, units: list[str]) -> None:
    """Where the parameter has none: nothing for a ratio, or for coefficients of several units."""
    head = f"reference [degC],reading [{'mV' if 'reading_unit' in body else 'count'}]"
    result = result_of(body, head, [(x * x + 1, x + 1) for x in range(6)])
    assert units == [number.unit for number in result.numbers]


@pytest.mark.parametrize(("outputs", "equation"), [
    ('gain = "cal.gain"\nnominal = 2\n', "reference = gain * 2 * reading / 4096"),
    ('gain = "cal.gain"\noffset = "cal.offset"\nnominal = 2\n',
     "reference = gain * 2 * reading / 4096 + offset"),
    ('reference_voltage = "cal.vref"\n', "reference = reference_voltage * reading / 4096"),
    ('reference_voltage = "cal.vref"\noffset = "cal.offset"\n',
     "reference = reference_voltage * reading / 4096 + offset"),
    ('offset = "cal.offset"\nnominal = 2\n', "reference = 2 * reading / 4096 + offset"),
])
def test_the_equation_of_a_converter_has_what_is_stored(outputs: str, equation: str) -> None:
    """A term that nobody fits is not in it; a number that was chosen is."""
    body = f'model = "adc"\nreference_unit = "V"\nfull_scale = 4096\n{outputs}'
    result = result_of(body, "reference [V],reading [count]",
                       [(2.5 * x / 4096, x) for x in (100, 1000, 3000, 4000)])
    assert equation == result.equation


@pytest.mark.parametrize(("output", "fixed"), [
    ('gain = "cal.gain"\n', ", offset = 0"), ('offset = "cal.offset"\n', ", gain = 1")])
def test_the_equation_of_a_line_says_what_is_fixed(output: str, fixed: str) -> None:
    """Gain or offset alone."""
    body = f'model = "line"\nreading_unit = "mV"\nreference_unit = "mV"\n{output}'
    result = result_of(body, "reference [mV],reading [mV]", [(x, x) for x in range(1, 6)])
    assert f"reference = gain * reading + offset{fixed}" == result.equation
