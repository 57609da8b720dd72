"""The whole work: what is refused and what is told, unit by unit."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import paramstore.calibrate.run
from paramstore.calibrate.keys import EQUATIONS
from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.result import Outcome
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.errors import FindingsError, Severity, SourceText, ToolError
from tests.calibrate.bench import LINE, SCHEMA, csv, messages, outcome_of, recipe_of, result_of
from tests.goldens import golden

GOLDEN = Path(__file__).parent / "golden" / "fit_findings.txt"
HEAD = "reference [degC],reading [mV]"
SURE = HEAD + ",uncertainty [degC]"
PH = 'model = "ph"\nslope = "cal.slope"\nzero = "cal.zero"\n'
PH_HEAD = "reference [pH],reading [mV],temperature [degC]"
NTC = 'model = "steinhart-hart"\ncoefficients = "cal.abc"\n'
ADC = 'model = "adc"\nfull_scale = 4096\nreference_voltage = "cal.vref"\n'
CURVE = 'model = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\ncurve = "cal.curve"\n'
STRAIGHT = [(20 + n + 0.01 * (-1)**n, 10 * n) for n in range(10)]

CASES = {
    "too few points": (LINE, csv(HEAD, [(1, 2)])),
    "too few for one unit of two": (LINE, csv(HEAD + ",serial", [
        (1, 2, "A1"), (3, 4, "A1"), (1, 2, "A2")])),
    "all equal": (LINE, csv(HEAD, [(1, 5), (2, 5), (3, 5)])),
    "curve all equal": (CURVE, csv(HEAD, [(1, 5), (2, 5), (3, 5)])),
    "not enough different": (NTC, csv("reference [degC],reading [ohm]", [
        (25, 10000), (25.01, 10000), (50, 3600)])),
    "references all equal": (LINE, csv(HEAD, [(5, 1), (5, 2), (5, 3)])),
    "beyond the limits": (ADC, csv("reference [V],reading [count]", [(1, 1000), (2, 2000)])),
    "beyond the type": (LINE.replace("cal.gain", "cal.gain_steps"),
                        csv(HEAD, [(0, 0), (9e9, 1)])),
    "x beyond the type": (CURVE, csv(HEAD, [(1, -5), (2, 5), (3, 15)])),
    "x without room": (CURVE, csv(HEAD, [(1, 5), (2, 6), (3, 7)])),
    "rounded to 0": (LINE.replace("cal.gain", "cal.gain_steps") + f'equation = "{EQUATIONS[1]}"\n',
                     csv(HEAD, [(0, 0), (10000, 1)])),
    "outlier": (LINE, csv(HEAD, [*STRAIGHT, (27, 55)])),
    "outlier among uncertainties": (LINE, csv(SURE, [*((y, x, 0.01) for y, x in STRAIGHT),
                                                     (25.6, 55, 0.02)])),
    "too sure": (LINE, csv(SURE, [(y, x, 0.003) for y, x in STRAIGHT])),
    "far beyond the points": (LINE + "from = 0\nto = 200\n", csv(HEAD, STRAIGHT)),
    "coarse steps": (LINE.replace("cal.gain", "cal.gain_steps"),
                     csv(HEAD, [(20 + 0.1234 * x + 1e-3 * (x % 7), x) for x in range(0, 999, 90)])),
    "tired electrode": (PH, csv(PH_HEAD, [(4, 150, 25), (7, 33, 25), (10, -84, 25)])),
    "clipped": (ADC, csv("reference [V],reading [count]", [
        (0.6, 983), (1.2, 1966), (1.8, 2949), (2.6, 4095)])),
    "a date to store": (LINE + 'stores = { date = "cal.on" }\n', csv(HEAD, STRAIGHT)),
    "a due date to store": (LINE + 'date = 2026-02-17\nstores = { due = "cal.until" }\n',
                            csv(HEAD, STRAIGHT)),
    "a name that is too long": (LINE + 'person = "somebody with a name"\n'
                                'stores = { person = "cal.by" }\n', csv(HEAD, STRAIGHT)),
    "not within its limits": (LINE + "acceptance = { limit = 0.001 }\n", csv(HEAD, STRAIGHT)),
    "not decidable": (LINE + "acceptance = { limit = 0.011 }\n", csv(HEAD, STRAIGHT)),
    "not decidable without U": (LINE + "acceptance = { limit = 1 }\n",
                                csv(HEAD, [(20, 0), (30, 100)])),
    "a parabola is no line": (LINE, csv(HEAD, [(x * x, x) for x in range(12)])),
    "replicates that miss the line": (LINE, csv(HEAD, [
        (y, x + d) for y, x in ((0, 0), (20, 15), (40, 30), (60, 60)) for d in (-.1, 0, .1)])),
    "a shorted input": (ADC, csv("reference [V],reading [count]", [
        (0, 0), (0.6, 983), (1.2, 1966), (1.8, 2949)])),
    "kohm under ohm": (NTC, csv("reference [degC],reading [ohm]", [
        (0, 32.65), (25, 10.0), (50, 3.602), (75, 1.481)])),
    "thermistor that turns back": (NTC, csv("reference [degC],reading [ohm]", [
        (0, 32000), (25, 10000), (50, 15000)])),
}


def test_messages_are_those_that_were_read_and_approved() -> None:
    """Each case gives exactly the messages that are kept."""
    text = "\n".join(f"==== {name}\n{messages(*case)}" for name, case in CASES.items())
    assert golden(GOLDEN, text) == text


def test_outliers_stay_in_the_fit() -> None:
    """A point is told, not taken out: without it the fit is another one."""
    result = result_of(LINE, HEAD, [*STRAIGHT, (27, 55)])
    assert [55] == [p.reading for p in result.points if p.outlier]
    without = result_of(LINE, HEAD, STRAIGHT)
    assert result.numbers[0].fitted != without.numbers[0].fitted
    assert [] == [p for p in without.points if p.outlier]


def test_exact_points_have_no_outliers() -> None:
    """Rounding in the last digit is not taken for scatter."""
    result = result_of(LINE, HEAD, [(0.1 * x + 0.3, x) for x in range(20)])
    assert {None} == {p.chance for p in result.points}


def test_two_points_leave_errors_unknown() -> None:
    """A line through two points has no scatter, and no uncertainty unless they are given."""
    result = result_of(LINE, HEAD, [(20, 0), (30, 100)])
    assert (None, None, 0) == (result.deviation, result.fit_uncertainty, result.freedom)
    assert {None} == {n.uncertainty for n in result.numbers}
    given = result_of(LINE, SURE, [(20, 0, 0.1), (30, 100, 0.1)])
    # Propagation by hand: u(offset) = 0.1, u(gain) = sqrt(2) 0.1 / 100.
    assert [n.uncertainty for n in given.numbers] == pytest.approx([math.sqrt(2) * 1e-3, 0.1])
    assert given.fit_uncertainty == pytest.approx(0.1)


def test_uncertain_points_weigh_less() -> None:
    """The mean of two offsets lies where the weights put it, with the uncertainty of both."""
    alone = "".join(line.replace("degC", "mV") for line in LINE.splitlines(True)
                    if "gain" not in line)
    result = result_of(alone, "reference [mV],reading [mV],uncertainty [mV]",
                       [(10, 0, 1), (14, 0, 2)])
    # Weights 1 and 1/4: (10 + 14/4) / (5/4) = 10.8, uncertainty sqrt(4/5).
    assert 10.8 == pytest.approx(result.numbers[0].fitted)
    assert math.sqrt(0.8) == pytest.approx(result.numbers[0].uncertainty)


def test_a_mistyped_reference_does_not_leave_a_small_uncertainty() -> None:
    """40 for 400 among points that are sure to 0.02: told twice, and the uncertainty of what the
    fit gives is as large as it is without any uncertainties stated."""
    rows = [(100, 100), (200, 200), (300, 300), (40, 400), (500, 500), (600, 600)]
    sure = outcome_of(LINE, csv(SURE, [(*row, 0.02) for row in rows]))
    assert ["PS834", "PS833"] == [f.code for f in sure.warnings]
    stated, unstated = sure.units[0].results[0], result_of(LINE, HEAD, rows)
    assert stated.fit_uncertainty == pytest.approx(unstated.fit_uncertainty)
    assert stated.fit_uncertainty is not None and stated.fit_uncertainty > 50


def test_uncertainty_of_a_slope_in_per_cent_of_the_electrode() -> None:
    """Uncertainties go through the equation: 0.01 pH at each of two buffers."""
    result = result_of(PH, PH_HEAD + ",uncertainty [pH]",
                       [(4, 174, 25, 0.01), (7, 0, 25, 0.01)])
    slope = result.numbers[0]
    assert -58 == pytest.approx(slope.fitted)
    assert 58 * math.sqrt(2) * 0.01 / 3 == pytest.approx(slope.uncertainty)


def test_units_are_kept_apart() -> None:
    """Each serial number has its own fit and values, and its serial number where it belongs."""
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", 'serial = "identity.serial"\n'
                                            f"[calibration.one]\n{LINE}[calibration.two]\n"
                                            f"all_units = true\n{ADC}"))
    one, two = recipe.calibrations
    outcome = calibrate(recipe, {
        "one": read_table(SourceText("one.csv", csv(HEAD + ",serial", [
            (1, 0, "A1"), (0, 0, "A2"), (2, 1, "A1"), (3, 1, "A2")])), one),
        "two": read_table(SourceText("two.csv", csv("reference [V],reading [count]", [
            (2.5, 4096)])), two),
    })
    assert () == tuple(w for w in outcome.warnings if w.code != "PS839")
    assert ["A1", "A2"] == [u.serial for u in outcome.units]
    assert [(1.0, 1.0), (3.0, 0.0)] == [
        (u.values["cal"]["gain"][0], u.values["cal"]["offset"][0]) for u in outcome.units]
    assert [b"A1", b"A2"] == [bytes(map(int, u.values["identity"]["serial"])).rstrip(b"\0")
                              for u in outcome.units]
    assert {(25000,)} == {u.values["cal"]["vref"] for u in outcome.units}


def test_a_unit_without_one_of_its_calibrations_is_refused() -> None:
    """Nothing leaves with a default that nobody noticed."""
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", f"[calibration.one]\n{LINE}"
                                            f"[calibration.two]\n{ADC}"))
    one, two = recipe.calibrations
    with pytest.raises(FindingsError) as caught:
        calibrate(recipe, {
            "one": read_table(SourceText("one.csv", csv(HEAD + ",serial", [
                (1, 0, "A1"), (2, 1, "A1"), (1, 0, "A2"), (2, 1, "A2")])), one),
            "two": read_table(SourceText("two.csv", csv("reference [V],reading [count],serial", [
                (1.25, 2048, "A1")])), two),
        })
    (finding,) = caught.value.findings
    assert ("PS824", "`two.csv` has no measurements of `A2`") == (finding.code, finding.message)


def test_a_serial_number_that_does_not_fit() -> None:
    """The text parameter of the schema is the limit."""
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", 'serial = "identity.serial"\n'
                                            f"[calibration.one]\n{LINE}"))
    table = read_table(SourceText("one.csv", csv(HEAD + ",serial", [
        (1, 0, "A-VERY-LONG-ONE"), (2, 1, "A-VERY-LONG-ONE")])), recipe.calibrations[0])
    with pytest.raises(FindingsError) as caught:
        calibrate(recipe, {"one": table})
    assert ["PS836"] == [f.code for f in caught.value.findings]


def test_warnings_do_not_stop_the_work() -> None:
    """What is unusual is told beside the result."""
    outcome = outcome_of(*CASES["tired electrode"])
    assert {Severity.WARNING} == {w.severity for w in outcome.warnings}
    assert 1 == len(outcome.units[0].results)


def test_without_numpy(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever has not installed numpy and scipy is told how."""
    recipe = recipe_of(LINE)
    table = read_table(SourceText("t.csv", csv(HEAD, STRAIGHT)), recipe.calibrations[0])
    monkeypatch.setattr(paramstore.calibrate.run, "find_spec", lambda name: None)
    with pytest.raises(ToolError) as caught:
        calibrate(recipe, {"one": table})
    assert "calibrate needs numpy and scipy" in caught.value.message
    assert 'pip install "paramstore[calibrate]"' in caught.value.help


TWO = f"""serial = "identity.serial"
[calibration.one]
{LINE}
[calibration.two]
{ADC}"""
OF_TWO = csv(HEAD + ",serial", [(1, 0, "A1"), (0, 0, "A2"), (2, 1, "A1"), (3, 1, "A2")])
NO_SERIAL = csv("reference [V],reading [count]", [(1.25, 2048)])


def two(text: str, second: str, serial: str = "") -> Outcome:
    """Calibrate by a recipe of two calibrations: `OF_TWO`, and `second`."""
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", text))
    one, other = recipe.calibrations
    return calibrate(recipe, {"one": read_table(SourceText("one.csv", OF_TWO), one),
                              "two": read_table(SourceText("two.csv", second), other)}, serial)


def test_measurements_of_one_unit_are_not_given_to_another() -> None:
    """A table without serial numbers beside one with them is refused, whatever it holds."""
    with pytest.raises(FindingsError) as caught:
        two(TWO, NO_SERIAL)
    (finding,) = caught.value.findings
    assert ("PS825", "`two.csv` does not say which unit it is of",
            ("`one.csv` is of `A1` and `A2`",)) == (finding.code, finding.message, finding.notes)


def test_a_unit_can_be_named_for_tables_without_serial_numbers() -> None:
    """Then the other unit was not measured, and that is told."""
    with pytest.raises(FindingsError) as caught:
        two(TWO, NO_SERIAL, "A1")
    assert ["`two.csv` has no measurements of `A2`"] == [
        f.message for f in caught.value.findings]
    recipe = recipe_of(LINE)
    (unit,) = calibrate(recipe, {"one": read_table(SourceText(
        "one.csv", csv(HEAD, [(1, 0), (2, 1)])), recipe.calibrations[0])}, "A7").units
    assert ("A7", "A7") == (unit.serial, unit.results[0].serial)


def test_what_is_measured_once_for_all_units() -> None:
    """Its values go into each of them, its points are told once, and it names no unit."""
    outcome = two(TWO + "all_units = true\n", NO_SERIAL)
    assert [(25000,), (25000,)] == [u.values["cal"]["vref"] for u in outcome.units]
    assert [["one"], ["one"]] == [[r.calibration.name for r in u.results] for u in outcome.units]
    assert [("two", "")] == [(r.calibration.name, r.serial) for r in outcome.common]
    assert {"cal": {"vref": (25000,)}} == outcome.common_values
    with pytest.raises(FindingsError) as caught:
        two(TWO + "all_units = true\n", csv("reference [V],reading [count],serial", [
            (1.25, 2048, "A1")]))
    assert ["`two.csv` names units, but calibration `two` is for all of them"] == [
        f.message for f in caught.value.findings]
