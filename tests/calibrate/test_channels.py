"""Elements of arrays: one named by itself, or one for each channel of a table."""

from __future__ import annotations

import pytest

from paramstore.calibrate.as_found import FoundValues
from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.errors import FindingsError, SourceText
from paramstore.report.calibration_data import calibration_data
from tests.calibrate.bench import SCHEMA, csv, messages, outcome_of

UNITS = 'model = "line"\nreading_unit = "mV"\nreference_unit = "degC"\n'
CHANNELS = UNITS + 'gain = "cal.gains"\noffset = "cal.offsets"\nchannels = true\n'
HEAD = "reference [degC],reading [mV],channel"
TABLE = [(gain * x + offset, x, channel) for x in (0, 50, 100)
         for channel, (gain, offset) in enumerate(((0.1, 0.5), (0.2, -0.25), (0.3, 0)))]


def test_one_table_fits_every_channel() -> None:
    """Three lines, three gains and offsets; each channel is a calibration with its own points."""
    (unit,) = outcome_of(CHANNELS, csv(HEAD, TABLE)).units
    assert ["one[0]", "one[1]", "one[2]"] == [r.calibration.name for r in unit.results]
    assert [3, 3, 3] == [len(r.points) for r in unit.results]
    assert ["cal.gains[1]", "cal.offsets[1]"] == [n.name for n in unit.results[1].numbers]
    assert pytest.approx((0.1, 0.2, 0.3)) == unit.values["cal"]["gains"]
    assert (50, -25, 0) == unit.values["cal"]["offsets"]


def test_the_data_has_each_channel() -> None:
    """Each channel has its name and its parameters."""
    data = calibration_data(outcome_of(CHANNELS, csv(HEAD, TABLE)))
    (unit,) = data["units"]
    assert [("one[0]", "cal.gains[0]"), ("one[1]", "cal.gains[1]"), ("one[2]", "cal.gains[2]")] == [
        (c["name"], c["parameters"][0]["name"]) for c in unit["calibrations"]]


@pytest.mark.parametrize(("base", "wanted"), [
    ({}, (100, 50, 300)), ({"cal": {"offsets": (7, 8, 9)}}, (7, 50, 9))])
def test_one_element(base: dict[str, dict[str, tuple[int, ...]]], wanted: tuple[int, ...]) -> None:
    """Only the element that is named changes: the others are as given, else their defaults."""
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", "[calibration.one]\n"
                                            + UNITS.replace("mV", "degC")
                                            + 'offset = "cal.offsets[1]"\n'))
    table = read_table(SourceText("t.csv", csv("reference [degC],reading [degC]",
                                               [(10.5, 10), (20.5, 20)])), recipe.calibrations[0])
    (unit,) = calibrate(recipe, {"one": table}, base=base).units
    assert wanted == unit.values["cal"]["offsets"]


def test_elements_of_one_array_from_two_outputs() -> None:
    """A gain and an offset in one array, and what the unit held there before."""
    recipe = read_recipe(SCHEMA, SourceText("recipe.toml", f"[calibration.one]\n{UNITS}"
                                            'gain = "cal.gains[2]"\noffset = "cal.gains[0]"\n'))
    table = read_table(SourceText("t.csv", csv("reference [degC],reading [mV]",
                                               [(1, 0), (21, 10), (41, 20)])),
                       recipe.calibrations[0])
    before = {f.name: f.default for f in SCHEMA.group("cal").fields} | {"gains": (1.5, 7.0, 2.0)}
    (unit,) = calibrate(recipe, {"one": table}, "A1",
                        {"A1": FoundValues({"cal": before}, "old.bin")}).units
    assert pytest.approx((1, 0, 2)) == unit.values["cal"]["gains"]
    (result,) = unit.results
    assert result.found is not None
    assert [("cal.gains[2]", 2.0), ("cal.gains[0]", 1.5)] == [
        (n.name, n.found) for n in result.found.numbers]
    assert pytest.approx([0.5, 0.5, 0.5]) == list(result.found.errors)


@pytest.mark.parametrize(("body", "message"), [
    (UNITS + 'gain = "cal.gains[3]"\n', "`cal.gains` has no element 3"),
    (UNITS + 'gain = "cal.gain[0]"\n', "`cal.gain` has no element 0"),
    (UNITS + 'gain = "cal.gains"\n', "`cal.gains` is not a single number"),
    (UNITS + 'gain = "cal.gain"\nchannels = true\n',
     "`cal.gain` is not an array with an element for each channel"),
    (UNITS + 'gain = "cal.gains[1]"\nchannels = true\n',
     "`cal.gains[1]` is not an array with an element for each channel"),
    (UNITS + 'gain = "cal.gains"\noffset = "cal.poly"\nchannels = true\n',
     "the arrays have different numbers of channels"),
    (UNITS + 'gain = "cal.gains[1]"\noffset = "cal.gains[1]"\n', "`cal.gains[1]` is given twice"),
    (UNITS.replace("line", "polynomial") + 'coefficients = "cal.poly"\nchannels = true\n',
     "`coefficients` are several numbers of one channel"),
    (UNITS.replace("line", "polynomial") + 'coefficients = "cal.poly[1]"\n',
     "`cal.poly[1]` is not an array, as `coefficients` needs"),
])
def test_mistakes_of_the_recipe(body: str, message: str) -> None:
    """Each is told at its place, with a way to mend it."""
    with pytest.raises(FindingsError) as caught:
        read_recipe(SCHEMA, SourceText("recipe.toml", f"[calibration.one]\n{body}"))
    (finding,) = caught.value.findings
    assert message in finding.message and finding.help


@pytest.mark.parametrize(("body", "head", "rows", "message"), [
    (CHANNELS, "reference [degC],reading [mV]", [(1, 2)], "the table has no column `channel`"),
    (CHANNELS, HEAD, [(1, 2, 3)], "there is no channel 3"),
    (CHANNELS, HEAD, [(1, 2, 0.5)], "there is no channel 0.5"),
    (CHANNELS, HEAD, [r for r in TABLE if r[2] != 1], "has no measurements of channel 1"),
    (UNITS + 'gain = "cal.gain"\n', HEAD, TABLE, "the recipe says nothing of channels"),
])
def test_mistakes_of_the_table(body: str, head: str, rows: list[tuple[float, ...]],
                               message: str) -> None:
    """Each is told; channels are never thrown into one fit."""
    assert message in messages(body, csv(head, rows))
