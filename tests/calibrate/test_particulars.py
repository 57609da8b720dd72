"""What belongs with a calibration: dates, people, references, and the parameters that take them."""

from __future__ import annotations

from datetime import date

import pytest

from paramstore.calibrate.particulars import due_date, interval_of
from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.result import Outcome
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.errors import FindingsError, SourceText, errors_in
from paramstore.schema.from_raw import parameter_from_raw
from tests.calibrate.bench import LINE, SCHEMA, csv

HEAD = "reference [degC],reading [mV]"
POINTS = csv(HEAD, [(20, 0), (25, 51), (30, 100), (35, 149)])
ALL = """date = 2026-01-31
person = "bench 2"
ambient = "21 degC"
buffers = ["ph4", "ph7"]
interval = "1 month"
reference = { instrument = "B-7", certificate = "K-118", date = 2025-10-06 }
stores = { date = "cal.on", due = "cal.until", person = "cal.by", buffers = "cal.used" }
"""
ADC = """[calibration.two]
model = "adc"
full_scale = 4096
reference_voltage = "cal.vref"
"""


def outcome(text: str, measured: date | None = None, person: str = "") -> Outcome:
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", text)).given(measured, person)
    tables = {"one": POINTS, "two": csv("reference [V],reading [count]", [(1.25, 2048), (2, 3277)])}
    return calibrate(recipe, {c.name: read_table(SourceText(f"{c.name}.csv", tables[c.name]), c)
                              for c in recipe.calibrations})


def stored(found: Outcome, name: str) -> object:
    (unit,) = found.units
    return parameter_from_raw(SCHEMA.group("cal").parameter(name), unit.values["cal"])


@pytest.mark.parametrize(("start", "interval", "due"), [
    # The day of the month stays, or is the last of a shorter one: common practice.
    ("2026-01-31", "1 month", "2026-02-28"), ("2024-02-29", "1 year", "2025-02-28"),
    ("2024-02-29", "4 years", "2028-02-29"), ("2026-12-15", "12 months", "2027-12-15"),
    ("2026-11-30", "3 months", "2027-02-28"), ("2026-02-17", "2 weeks", "2026-03-03"),
    ("2026-12-31", "1 day", "2027-01-01"), ("9999-06-01", "1 year", None),
])
def test_due_dates(start: str, interval: str, due: str | None) -> None:
    """An interval is counted in calendar units."""
    parts = interval_of(interval)
    assert parts is not None
    found = due_date(date.fromisoformat(start), *parts)
    assert due == (found and found.isoformat())


@pytest.mark.parametrize("text", ["0 months", "month", "-1 year", "1.5 years", "12", "1 fortnight"])
def test_what_is_no_interval(text: str) -> None:
    """A whole number above 0, and a unit of the calendar."""
    assert interval_of(text) is None


def test_what_belongs_with_it_is_stored_where_the_recipe_says() -> None:
    """Dates, a person and buffers go into parameters; what no parameter takes is kept all the
    same."""
    found = outcome(f"[calibration.one]\n{LINE}{ALL}")
    assert [date(2026, 1, 31), date(2026, 2, 28), "bench 2", ["ph4", "ph7"]] == [
        stored(found, name) for name in ("on", "until", "by", "used")]
    of = found.units[0].results[0].calibration.particulars
    assert ("B-7", "K-118", date(2025, 10, 6), "21 degC") == (
        of.instrument, of.certificate, of.certificate_date, of.ambient)


def test_what_is_given_for_a_run_stands_in_place_of_the_recipe() -> None:
    """Date and person of today; the due date follows."""
    found = outcome(f"[calibration.one]\n{LINE}{ALL}", date(2026, 3, 1), "bench 3")
    assert [date(2026, 3, 1), date(2026, 4, 1), "bench 3"] == [
        stored(found, name) for name in ("on", "until", "by")]


def test_nothing_is_made_up() -> None:
    """A date that nobody gave is no date; one that is to be stored is a mistake then."""
    found = outcome(f"[calibration.one]\n{LINE}")
    of = found.units[0].results[0].calibration.particulars
    assert (None, None, "") == (of.measured, of.due, of.person)
    with pytest.raises(FindingsError) as caught:
        outcome(f'[calibration.one]\n{LINE}stores = {{ date = "cal.on" }}\n')
    assert ["PS826"] == [f.code for f in errors_in(caught.value.findings)]


@pytest.mark.parametrize(("first", "second"), [("2026-01-31", "2026-02-20"),
                                               ("2026-02-20", "2026-01-31")])
def test_two_calibrations_share_a_date(first: str, second: str) -> None:
    """A parameter has the latest date of those that name it, and the earliest due date."""
    both = ('interval = "1 month"\nstores = { date = "cal.on", due = "cal.until" }\n')
    found = outcome(f"[calibration.one]\n{LINE}date = {first}\n{both}{ADC}date = {second}\n{both}")
    assert [date(2026, 2, 20), date(2026, 2, 28)] == [stored(found, n) for n in ("on", "until")]
