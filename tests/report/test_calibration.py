"""The report of a calibration: text, data and picture, from one outcome."""

from __future__ import annotations

import json
import math
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.result import Outcome
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.disk import read_text
from paramstore.core.errors import SourceText
from paramstore.report.calibration import calibration_text, error_text
from paramstore.report.calibration_data import calibration_data
from paramstore.report.residual_plot import residual_svg
from paramstore.schema.reader import load_schema
from tests.calibrate.bench import LINE, csv, outcome_of
from tests.goldens import golden

SCHEMAS = Path(__file__).parents[2] / "schemas"
GOLDEN = Path(__file__).parent / "golden"
SVG = "{http://www.w3.org/2000/svg}"
HEAD = "reference [degC],reading [mV]"
OUTLIER = [*((20 + n + 0.01 * (-1)**n, 10 * n) for n in range(10)), (27, 55)]


def shipped(*names: str) -> Outcome:
    """Calibrate the shipped tables."""
    schema, _ = load_schema(SCHEMAS / "tank_probe.toml")
    recipe = read_recipe(schema, read_text(SCHEMAS / "tank_probe.calibration.toml"))
    tables = {}
    for name in names:
        calibration = recipe.calibration(name)
        assert calibration is not None
        text = read_text(SCHEMAS / f"tank_probe.{name}.csv").text
        tables[name] = read_table(SourceText(f"tank_probe.{name}.csv", text), calibration)
    return calibrate(recipe, tables)


def marks(svg: str, look: str) -> list[ElementTree.Element]:
    """Return what is drawn of a kind; the mark of a unit above a panel is none."""
    drawn = [g for g in ElementTree.fromstring(svg).iter(f"{SVG}g") if g.find(f"{SVG}title") is not
             None]
    return [e for g in drawn for e in g if (e.get("class") or "").split()[:1] == [look]]


def place(mark: ElementTree.Element) -> tuple[float, float]:
    x, y = (mark.get("transform") or "").partition("(")[2].partition(")")[0].split()
    return float(x), float(y)


@pytest.mark.parametrize("names", [("electrode",), ("conductivity",),
                                   ("thermistor", "conductivity")])
def test_text_is_the_one_that_was_read_and_approved(names: tuple[str, ...]) -> None:
    """One unit is shown with every point, several with a line for each."""
    text = calibration_text(shipped(*names))
    assert golden(GOLDEN / f"calibration.{names[0]}.txt", text) == text


def test_details_of_several_units() -> None:
    """Every unit and point is shown if asked for, and no blanks at the ends of lines."""
    outcome = shipped("thermistor")
    text = calibration_text(outcome, details=True)
    for unit in outcome.units:
        assert f"thermistor of {unit.serial}: 5 points" in text
    assert 15 == sum(line.split()[:1] == [str(p.line)] for u in outcome.units
                     for r in u.results for p in r.points for line in text.splitlines()
                     if line.split()[1:3] == [f"{p.reference:g}", f"{p.reading:g}"])
    assert [] == [line for line in text.splitlines() if line != line.rstrip()]


def test_outliers_are_marked() -> None:
    """In the text, the data and the picture."""
    outcome = outcome_of(LINE, csv(HEAD, OUTLIER))
    text = calibration_text(outcome)
    assert "  outliers      line 12\n" in text
    assert ["outlier"] == [line.split()[-1] for line in text.splitlines()
                           if line.startswith("    12 ")]
    ((calibration,),) = (u["calibrations"] for u in calibration_data(outcome)["units"])
    assert [12] == [p["line"] for p in calibration["points"] if p["outlier"] == "outlier"]
    assert 2 == len(marks(residual_svg(outcome), "cross"))


def test_what_cannot_be_told_is_said() -> None:
    """Two points and two coefficients: neither scatter nor outliers are claimed."""
    text = calibration_text(outcome_of(LINE, csv(HEAD, [(20, 0), (30, 100)])))
    assert "unknown: the fit goes through every point, right or wrong" in text
    assert "cannot be told from these points" in text
    rows = [line.split() for line in text.splitlines() if line.startswith("  cal.")]
    assert [("cal.gain", 4), ("cal.offset", 4)] == [(row[0], len(row)) for row in rows], (
        "name, fitted value, stored value and unit, and no uncertainty")


def test_data_is_json_that_has_every_point() -> None:
    """Numbers are as computed, and units stand beside them."""
    outcome = shipped("thermistor")
    data = json.loads(json.dumps(calibration_data(outcome), allow_nan=False))
    assert 1 == data["schema_version"]
    assert ["TP-2601-0042", "TP-2601-0043", "TP-2601-0044"] == [u["serial"] for u in data["units"]]
    for unit, told in zip(outcome.units, data["units"], strict=True):
        (result,), (calibration,) = unit.results, told["calibrations"]
        assert ("degC", "ohm") == (calibration["reference_unit"], calibration["reading_unit"])
        assert [n.fitted for n in result.numbers] == [
            p["fitted"] for p in calibration["parameters"]]
        assert [p.stored_error for p in result.points] == [
            p["error_stored"] for p in calibration["points"]]
        assert result.storage_error == calibration["storage_error"]


@given(st.floats(1e-6, 1e6), st.floats(0, 1))
def test_errors_have_three_digits_at_the_worst(worst: float, part: float) -> None:
    """The text of an error is it to three digits of the worst, with its sign."""
    assert float(error_text(worst, worst)) == pytest.approx(worst, rel=5.1e-3)
    error = -worst * part
    assert float(error_text(error, worst)) == pytest.approx(error, abs=5.1e-3 * worst)


# ---- Picture ------------------------------------------------------------------------------------


@pytest.mark.parametrize("names", [("electrode",), ("conductivity", "thermistor")])
def test_picture_is_svg_for_everybody(names: tuple[str, ...]) -> None:
    """Well-formed, named for who cannot see it, nothing to load, both themes."""
    svg = residual_svg(shipped(*names))
    root = ElementTree.fromstring(svg)
    assert f"{SVG}svg" == root.tag and "img" == root.get("role")
    named = {e.get("id"): e.text or "" for e in root if e.get("id")}
    assert (root.get("aria-labelledby") or "").split() == list(named)
    for name in names:
        assert name in named["title"] and f"{name}: " in named["desc"]
    assert "prefers-color-scheme: dark" in svg
    assert "http" not in svg.replace('xmlns="http://www.w3.org/2000/svg"', "")
    assert "url(" not in svg and "<script" not in svg


def test_picture_is_the_same_every_time() -> None:
    """Same measurements, same bytes."""
    assert residual_svg(shipped("electrode")) == residual_svg(shipped("electrode"))


def test_axes_have_their_units() -> None:
    """Both axes of every panel say what they show, in which unit."""
    texts = [e.text for e in ElementTree.fromstring(
        residual_svg(shipped("electrode", "conductivity"))).iter(f"{SVG}text")]
    for label in ("reading [mV]", "error [pH]", "reading [uS/cm]", "error [uS/cm]"):
        assert label in texts


def test_every_point_is_drawn_inside_its_panel() -> None:
    """An open and a filled mark for each point, a bar where U is known; all are named."""
    outcome = shipped("thermistor")
    svg = residual_svg(outcome)
    points = [p for u in outcome.units for r in u.results for p in r.points]
    assert len(points) == len(marks(svg, "fit")) == len(marks(svg, "stored"))
    assert len(points) == len(marks(svg, "bar"))
    titles = [e.text or "" for e in ElementTree.fromstring(svg).iter(f"{SVG}title")]
    assert all(any(f"line {p.line}:" in t for t in titles) for p in points)
    for mark in marks(svg, "fit"):
        x, y = place(mark)
        assert 92 <= x <= 736 and 102 <= y <= 294
    for bar in marks(svg, "bar"):
        assert all(102 <= float(bar.get(k) or 0) <= 294 for k in ("y1", "y2"))


def test_units_are_told_apart_without_colour() -> None:
    """Each has a shape of its own, with its serial number and date above the panel."""
    outcome = shipped("thermistor")
    root = ElementTree.fromstring(residual_svg(outcome))
    shapes = [e.get("d") for e in marks(residual_svg(outcome), "fit")]
    assert 3 == len(set(shapes)) and 5 == shapes.count(shapes[0])
    texts = [e.text or "" for e in root.iter(f"{SVG}text")]
    assert all(f"TP-2601-004{n} 2026-02-17" in texts for n in (2, 3, 4))
    assert "electrode: 2026-02-17" in [e.text for e in ElementTree.fromstring(
        residual_svg(shipped("electrode"))).iter(f"{SVG}text")]


def test_what_the_marks_mean_is_said_where_they_are() -> None:
    """Bars and limits are explained in words; what is not drawn is not."""
    def legend(outcome: Outcome) -> str:
        return "; ".join(
            e.text or "" for e in ElementTree.fromstring(residual_svg(outcome)).iter(f"{SVG}text")
            if (e.text or "").startswith(("open mark", "bar")))

    assert ("bar: expanded uncertainty U of the fitted value, up and down, dashes: tolerance"
            in legend(shipped("thermistor")))
    assert "cross: outlier" in legend(outcome_of(LINE, csv(HEAD, OUTLIER)))
    alone = legend(outcome_of(LINE, csv(HEAD, [(20, 0), (30, 100)])))
    assert "open mark: error as fitted, filled: as stored" == alone


@given(st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6)), min_size=1, max_size=6),
       st.booleans())
def test_any_points_can_be_drawn(rows: list[tuple[float, float]], equal: bool) -> None:
    """Every coordinate is finite, also if all readings are one, or all errors 0."""
    alone = "".join(line for line in LINE.splitlines(True) if "offset" not in line)
    rows = [(y, rows[0][1] if equal else x) for y, x in rows]
    root = ElementTree.fromstring(residual_svg(outcome_of(alone, csv(HEAD, rows))))
    for element in root.iter():
        for key in ("cx", "cy", "x1", "x2", "y1", "y2", "x", "y"):
            assert math.isfinite(float(element.get(key, "0")))


def test_text_from_outside_stays_text() -> None:
    """A name with control characters or markup breaks neither the report nor the picture."""
    outcome = outcome_of(LINE.replace('"mV"', '"<b>&"'),
                         csv("reference [degC],reading [<b>&]", [(1, 2), (2, 3)]))
    svg = residual_svg(outcome)
    assert "reading [<b>&]" in [e.text for e in ElementTree.fromstring(svg).iter(f"{SVG}text")]
    assert "<b>" not in svg


def test_exact_points_give_numbers_as_people_write_them() -> None:
    """A gain of 100 is 100, whatever the rounding of floats leaves as its uncertainty."""
    text = calibration_text(outcome_of(LINE, csv(HEAD, [(100 * x + 0.3, x) for x in range(5)])))
    rows = [line.split() for line in text.splitlines() if line.startswith("  cal.")]
    assert ["100", "0.3"] == [row[1] for row in rows]
