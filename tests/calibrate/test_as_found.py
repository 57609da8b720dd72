"""As found: the errors that the old values give at the same points, and the drift since."""

from __future__ import annotations

from datetime import date

import pytest

from paramstore.calibrate.as_found import FoundValues
from paramstore.calibrate.keys import EQUATIONS
from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.result import AsFound, Result
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.errors import SourceText
from paramstore.schema.to_raw import parameter_to_raw
from tests.calibrate.bench import LINE, SCHEMA, csv

HEAD = "reference [degC],reading [mV]"
LINE_POINTS = [(20, 0), (25, 51), (30, 100), (35, 149)]
CURVE = 'model = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\ncurve = "cal.curve"\n'
PH = 'model = "ph"\nslope = "cal.slope"\nzero = "cal.zero"\n'
NTC = 'model = "steinhart-hart"\ncoefficients = "cal.abc"\n'


def found_with(body: str, head: str, points: list[tuple[float, ...]], old: dict[str, object],
               defaults: frozenset[str] = frozenset()) -> tuple[Result, AsFound]:
    """Calibrate a unit that held `old` values; what it does not name had its default."""
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", f"[calibration.one]\n{body}"))
    table = read_table(SourceText("bench.csv", csv(head, points)), recipe.calibrations[0])
    group = SCHEMA.group("cal")
    raws = {f.name: f.default for f in group.fields}
    for name, value in old.items():
        raws |= {n: c.raws for n, c in parameter_to_raw(group.parameter(name), value).items()}
    outcome = calibrate(recipe, {"one": table}, "A1",
                        {"A1": FoundValues({"cal": raws}, "old.bin", defaults)})
    (result,) = outcome.units[0].results
    assert result.found is not None and "old.bin" == result.found.source
    return result, result.found


def test_a_line_by_hand() -> None:
    """0.098 degC/mV and 20.5 degC show 20.5, 25.498, 30.3 and 35.102 at the four readings."""
    _, found = found_with(LINE, HEAD, LINE_POINTS, {"gain": 0.098, "offset": 20.5})
    assert [0.5, 0.498, 0.3, 0.102] == pytest.approx(list(found.errors))


@pytest.mark.parametrize("equation", EQUATIONS)
def test_old_values_that_are_the_new_ones_have_the_errors_as_left(equation: str) -> None:
    """Found and left differ by the parameters alone, whatever the equation."""
    body = LINE + f'equation = "{equation}"\n'
    left, _ = found_with(body, HEAD, LINE_POINTS, {"gain": 1})
    values = {n.name.removeprefix("cal."): n.stored for n in left.numbers}
    again, found = found_with(body, HEAD, LINE_POINTS, values)
    assert [p.stored_error for p in again.points] == pytest.approx(list(found.errors), abs=1e-9)
    assert [0, 0] == pytest.approx([n.change for n in found.numbers], abs=1e-12)


def test_an_electrode_by_hand() -> None:
    """E = zero + slope (pH - 7) at 25 degC: 177 mV and -177 mV read with slope -59, zero 0."""
    result, found = found_with(PH, "reference [pH],reading [mV],temperature [degC]",
                               [(4.01, 177, 25), (7, 0.5, 25), (10.01, -176, 25)],
                               {"slope": -59, "zero": 0})
    assert [4 - 4.01, 7 - 0.5 / 59 - 7, 7 + 176 / 59 - 10.01] == pytest.approx(list(found.errors))
    assert ["cal.slope", "cal.zero"] == [n.name for n in found.numbers]
    assert [n.stored for n in result.numbers] == pytest.approx(
        [n.found + n.change for n in found.numbers])


def test_an_array_of_coefficients() -> None:
    """1/T = A: with B = C = 0 the thermistor shows one temperature, 1/0.0033 K - 273.15."""
    _, found = found_with(NTC, "reference [degC],reading [ohm]",
                          [(0, 32650), (25, 10000), (50, 3600), (70, 1750)],
                          {"abc": [0.0033, 0, 0]})
    shown = 1 / 0.0033 - 273.15
    assert [shown - r for r in (0, 25, 50, 70)] == pytest.approx(list(found.errors))
    assert ["cal.abc[0]", "cal.abc[1]", "cal.abc[2]"] == [n.name for n in found.numbers]


def test_a_curve_with_breakpoints_of_its_own() -> None:
    """The old curve is used at its own x, and its heights are not compared with others."""
    points = [(x / 10 + 0.1 * (x % 20 == 0), x) for x in range(0, 110, 10)]
    old = [[0, 1], [50, 6], [60, 7], [80, 9], [100, 11]]
    _, found = found_with(CURVE, HEAD, points, {"curve": old})
    assert [1 + x / 10 - y for y, x in points] == pytest.approx(list(found.errors))
    assert () == found.numbers


def test_old_values_that_give_no_result() -> None:
    """A slope of 0 divides by 0: that is no number, and not within any limit."""
    result, found = found_with(
        LINE + f'equation = "{EQUATIONS[1]}"\nacceptance = {{ limit = 100, guard_band = 0 }}\n',
        HEAD, LINE_POINTS, {"gain": 0})
    assert (None,) * 4 == found.errors
    assert ("pass", "fail") == tuple(d and d.value for d in (result.left, result.as_found))


def test_since_when() -> None:
    """The date that the unit itself holds; not a default of the schema."""
    body = LINE + 'date = 2026-02-17\nstores = { date = "cal.on" }\n'
    _, found = found_with(body, HEAD, LINE_POINTS, {"on": date(2025, 2, 3)})
    assert (date(2025, 2, 3), False) == (found.since, found.defaults)
    _, found = found_with(body, HEAD, LINE_POINTS, {}, frozenset({"cal"}))
    assert (None, True) == (found.since, found.defaults)
