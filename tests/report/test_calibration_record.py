"""The record of a calibration: what stands on it, and that no text of others is obeyed."""

from __future__ import annotations

import base64
import json
import re
from datetime import date
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest

from paramstore.calibrate.as_found import FoundValues
from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.result import Outcome
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.errors import SourceText
from paramstore.report.calibration_record import (
    NO_CERTIFICATE,
    calibration_record_data,
    calibration_record_html,
)
from paramstore.schema.to_raw import parameter_to_raw
from tests.calibrate.bench import LINE, SCHEMA, csv

HEAD = "reference [degC],reading [mV]"
POINTS = [(20, 0), (25.02, 51), (30, 100), (34.99, 149), (40, 199)]
WHOLE = """date = 2026-02-17
person = "bench 2"
ambient = "21 degC"
interval = "12 months"
reference = { instrument = "B-7", certificate = "K-118", date = 2025-10-06 }
stores = { date = "cal.on" }
reference_drift = 0.01
acceptance = { limit = 0.5 }
"""
NASTY = '<img src=x onerror=alert(1)>&"\\u0041'


class Page(HTMLParser):
    """Checks that every tag is closed, and keeps the texts and the pictures."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: set[str] = set()
        self.text, self.pictures = "", list[str]()
        self.feed(text)
        self.text = " ".join(self.text.split())

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)
        assert not [name for name, _ in attributes if name.startswith("on") or name == "href"]
        self.pictures += [value or "" for name, value in attributes if name == "src"]
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert tag == self.open.pop()

    def handle_data(self, text: str) -> None:
        self.text += " " + text


def outcome(body: str, *, found: bool = False, serial: str = "A1") -> Outcome:
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", f"[calibration.one]\n{body}"))
    table = read_table(SourceText("bench.csv", csv(HEAD, POINTS)), recipe.calibrations[0])
    group = SCHEMA.group("cal")
    raws = {f.name: f.default for f in group.fields}
    for name, value in {"gain": 0.11, "offset": 20, "on": date(2025, 2, 3)}.items():
        raws |= {n: c.raws for n, c in parameter_to_raw(group.parameter(name), value).items()}
    old = {serial: FoundValues({"cal": raws}, f"read from {NASTY}")} if found else {}
    return calibrate(recipe, {"one": table}, serial, old)


def page_of(of: Outcome) -> Page:
    return Page(calibration_record_html(of, of.units[0], SCHEMA))


def test_everything_that_belongs_with_it_stands_on_the_page() -> None:
    """Unit, dates, reference and certificate, ambient, errors, uncertainty, budget, result."""
    of = outcome(LINE + WHOLE, found=True)
    page = page_of(of)
    assert [] == page.open
    for part in ("Serial number A1", "Date of calibration 2026-02-17",
                 "Next calibration by 2027-02-17", "Measured by bench 2",
                 "Ambient conditions 21 degC", "Reference B-7",
                 "Its certificate K-118, 2025-10-06", "Its drift up to 0.01 degC since then",
                 "Range 0 to 199 mV", "within 0.5 degC, with a guard band of U",
                 "Last calibration 2025-02-03", "Result as left pass", "degrees of freedom",
                 "scatter of the points", "Combined", "Expanded, k =", NO_CERTIFICATE,
                 "Name and signature"):
        assert part in page.text, part
    # As found by hand: 0.11 x 199 + 20 - 40 = 1.89 degC.
    assert "+1.890" in page.text or "+1.89" in page.text


def test_numbers_on_the_page_are_those_of_the_result() -> None:
    """Every point has its error as left and its U, to the digits that are shown."""
    of = outcome(LINE + WHOLE)
    (result,) = of.units[0].results
    text = page_of(of).text
    for point in result.points:
        assert point.budget is not None
        wide = f"{point.budget.expanded:.2g}"
        assert re.search(rf"{point.reading:g} [-+]?[\d.]+ {wide}( [\d.]+)* pass", text)
    assert f"U = {result.budget.expanded:.2g} degC" in text if result.budget else False


def test_what_nobody_stated_is_not_stated() -> None:
    """No date, no reference and no result are made up; two points have no uncertainty."""
    text = page_of(outcome(LINE)).text
    for part in ("not judged: no limits are stated", "Date of calibration not stated",
                 "Next calibration by not stated", "Reference not stated",
                 "Its certificate not stated", "Accepted no limits stated"):
        assert part in text, part
    assert "As found [degC]" not in text


@pytest.mark.parametrize("body", [LINE + WHOLE, LINE])
def test_texts_of_others_are_shown_and_not_obeyed(body: str) -> None:
    """Markup stays text; what does not print is shown as such."""
    quoted = json.dumps(NASTY)
    of = outcome(body.replace('"bench 2"', quoted).replace('"B-7"', quoted), found=True)
    page = page_of(of)
    assert {"img", "script"} & page.seen == {"img"} and len(page.pictures) == 1
    assert NASTY in page.text
    hostile = outcome(LINE, serial="A\x1b[2J\u202e")
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202e]", calibration_record_html(
        hostile, hostile.units[0], SCHEMA))


def test_the_picture_lies_in_the_page_and_is_light() -> None:
    """One for each calibration, as SVG that loads nothing; paper has no dark theme."""
    of = outcome(LINE + WHOLE)
    (source,) = page_of(of).pictures
    head, _, data = source.partition(",")
    assert "data:image/svg+xml;base64" == head
    svg = base64.b64decode(data).decode("utf-8")
    ElementTree.fromstring(svg)
    assert "prefers-color-scheme" not in svg and "one: A1, 2026-02-17" in svg
    assert "url(" not in calibration_record_html(of, of.units[0], SCHEMA)


def test_the_same_as_data() -> None:
    """JSON has all of it, and the same sentence."""
    of = outcome(LINE + WHOLE, found=True)
    data = json.loads(json.dumps(calibration_record_data(of, of.units[0], SCHEMA),
                                 allow_nan=False))
    assert ("A1", "pass", NO_CERTIFICATE) == (data["serial"], data["result"], data["remark"])
    (one,) = data["calibrations"]
    assert ("2026-02-17", "2027-02-17", "K-118") == (
        one["date"], one["due"], one["reference"]["certificate"])
    assert "fail" == one["as_found"]["result"]
    assert all(p["expanded_uncertainty"] == pytest.approx(
        p["coverage_factor"] * r.budget.combined) for p, r in zip(
            one["points"], of.units[0].results[0].points, strict=True) if r.budget)
    assert one["uncertainty"]["budget"]


def test_what_was_measured_once_says_so() -> None:
    """The record of a unit does not claim it for this unit."""
    of = outcome(LINE + "all_units = true\n")
    assert "Measured once for all units, not on this one." in page_of(of).text
    assert calibration_record_data(of, of.units[0], SCHEMA)["calibrations"][0]["all_units"]
