"""Recipes: what is read, and one clear message at its place for every mistake."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from paramstore.calibrate.recipe import Recipe
from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.core.disk import read_text
from paramstore.core.errors import FindingsError, SourceText
from paramstore.report.findings import count_line, findings_text
from paramstore.schema.reader import load_schema, read_schema
from tests.calibrate.bench import LINE, SCHEMA, SCHEMA_TEXT, recipe_of
from tests.goldens import golden

ROOT = Path(__file__).parents[2]
GOLDEN = Path(__file__).parent / "golden" / "recipe_mistakes.txt"


def with_gain(parameter: str) -> str:
    return "[calibration.one]\n" + LINE.replace("cal.gain", parameter)


MISTAKES = {
    "a schema": '[store]\nname = "bench"\n',
    "a values file": "[cal]\ngain = 1\n",
    "no calibration": "[calibration]\n",
    "misspelt": "[calibrations.one]\n",
    "not a table": "[calibration]\none = 3\n",
    "no model": '[calibration.one]\ngain = "cal.gain"\n',
    "unknown model": '[calibration.one]\nmodel = "thermistor"\n',
    "model far off": '[calibration.one]\nmodel = "magic"\n',
    "name": '[calibration.One-A]\nmodel = "ph"\nslope = "cal.slope"\nzero = "cal.zero"\n',
    "missing keys": '[calibration.one]\nmodel = "line"\ngain = "cal.gain"\n',
    "unknown key": f"[calibration.one]\n{LINE}ofset = 3\n",
    "wrong type": "[calibration.one]\n" + LINE.replace('"cal.gain"', "1.0"),
    "unknown parameter": with_gain("cal.gian"),
    "parameter without group": with_gain("gain"),
    "enum": with_gain("cal.mode"),
    "array for a number": with_gain("cal.abc"),
    "curve for a number": with_gain("cal.curve"),
    "number for an array": '[calibration.one]\nmodel = "steinhart-hart"\n'
                           'coefficients = "cal.gain"\n',
    "array of another length": '[calibration.one]\nmodel = "steinhart-hart"\n'
                               'coefficients = "cal.poly"\n',
    "number for a polynomial": '[calibration.one]\nmodel = "polynomial"\nreading_unit = "V"\n'
                               'reference_unit = "m"\ncoefficients = "cal.gain"\n',
    "number for a curve": '[calibration.one]\nmodel = "curve"\nreading_unit = "mV"\n'
                          'reference_unit = "degC"\ncurve = "cal.gain"\n',
    "twice": f"[calibration.one]\n{LINE}[calibration.two]\n{LINE}",
    "feeds nothing": '[calibration.one]\nmodel = "line"\nreading_unit = "V"\n'
                     'reference_unit = "V"\n',
    "two ways": '[calibration.one]\nmodel = "adc"\nfull_scale = 4096\nnominal = 2.5\n'
                'reference_voltage = "cal.vref"\ngain = "cal.gain"\n',
    "gain without nominal": '[calibration.one]\nmodel = "adc"\nfull_scale = 4096\n'
                            'gain = "cal.gain"\n',
    "full scale": '[calibration.one]\nmodel = "adc"\nfull_scale = 0\ngain = "cal.gain"\n',
    "a alone": '[calibration.one]\nmodel = "steinhart-hart"\na = "cal.gain"\n',
    "equation": f'[calibration.one]\n{LINE}equation = "reference = gain * reading - offset"\n',
    "gives": '[calibration.one]\nmodel = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\n'
             'curve = "cal.curve"\ngives = "ratio"\n',
    "from above to": f"[calibration.one]\n{LINE}from = 3\nto = 2\n",
    "from is no number": f"[calibration.one]\n{LINE}from = nan\n",
    "resistance": '[calibration.one]\nmodel = "beta"\nbeta = "cal.beta"\nr25 = "cal.r25"\n'
                  "from = 0\n",
    "temperature of no use": f"[calibration.one]\n{LINE}temperature_c = 20\n",
    "degree": '[calibration.one]\nmodel = "polynomial"\nreading_unit = "V"\nreference_unit = "m"\n'
              'coefficients = "cal.abc"\ndegree = 3\n',
    "unit of a result": '[calibration.one]\nmodel = "ph"\nslope = "cal.vref"\nzero = "cal.zero"\n',
    "unit of a plain number": '[calibration.one]\nmodel = "adc"\nfull_scale = 4096\nnominal = 2\n'
                              'gain = "cal.vref"\n',
    "unit of coefficients": '[calibration.one]\nmodel = "polynomial"\nreading_unit = "V"\n'
                            'reference_unit = "m"\ncoefficients = "cal.poly_c"\n',
    "unit of x": '[calibration.one]\nmodel = "curve"\nreading_unit = "ohm"\n'
                 'reference_unit = "degC"\ncurve = "cal.curve"\n',
    "unit of a reading": '[calibration.one]\nmodel = "ph"\nreading_unit = "ohm"\n'
                         'slope = "cal.slope"\nzero = "cal.zero"\n',
    "gain left out": '[calibration.one]\nmodel = "line"\nreading_unit = "mV"\n'
                     'reference_unit = "degC"\noffset = "cal.offset"\n',
    "percent of another unit": '[calibration.one]\nmodel = "curve"\nreading_unit = "mV"\n'
                               'reference_unit = "V"\ncurve = "cal.bend"\ngives = "percent"\n',
    "interval": f'[calibration.one]\n{LINE}interval = "a year"\n',
    "date": f'[calibration.one]\n{LINE}date = "2026-02-17"\n',
    "person": f'[calibration.one]\n{LINE}person = "A\\u001b[2J"\n',
    "buffers": f'[calibration.one]\n{LINE}buffers = ["ph4", "\\u202e7hp"]\n',
    "reference": f'[calibration.one]\n{LINE}reference = {{ certificate = "K-1" }}\n',
    "no tolerance": f"[calibration.one]\n{LINE}acceptance = {{ guard_band = 1 }}\n",
    "tolerance": f"[calibration.one]\n{LINE}acceptance = {{ limit = -1 }}\n",
    "stores a date in a number": f'[calibration.one]\n{LINE}stores = {{ date = "cal.zero" }}\n',
    "stores over a result": f'[calibration.one]\n{LINE}stores = {{ person = "cal.gain" }}\n',
    "stores what is no particular": f'[calibration.one]\n{LINE}stores = {{ day = "cal.on" }}\n',
    "stores two in one": f'[calibration.one]\n{LINE}stores = {{ date = "cal.on", due = "cal.on" }}'
                         "\n",
    "buffer without a flag": f'[calibration.one]\n{LINE}buffers = ["ph9"]\n'
                             'stores = { buffers = "cal.used" }\n',
    "serial": f'serial = "cal.gain_f32"\n[calibration.one]\n{LINE}',
    "serial unknown": f'serial = "identity.serail"\n[calibration.one]\n{LINE}',
}


def told(text: str) -> str:
    try:
        read_recipe(SCHEMA, SourceText("recipe.toml", text))
    except FindingsError as error:
        return findings_text(error.findings) + count_line(error.findings)
    return "no mistakes"


def test_messages_are_those_that_were_read_and_approved() -> None:
    """Each mistake gives exactly the message that is kept."""
    text = "\n".join(f"==== {name}\n{told(recipe)}\n" for name, recipe in MISTAKES.items())
    assert golden(GOLDEN, text) == text


@pytest.mark.parametrize("name", MISTAKES)
def test_one_mistake_gives_one_finding(name: str) -> None:
    """No mistake is told twice, and none is passed over."""
    with pytest.raises(FindingsError) as caught:
        read_recipe(SCHEMA, SourceText("recipe.toml", MISTAKES[name]))
    expected = 2 if name in ("twice", "missing keys") else 1
    assert expected == len(caught.value.findings)
    assert all(f.help and f.source for f in caught.value.findings)


def shipped() -> Recipe:
    schema, _ = load_schema(ROOT / "schemas" / "tank_probe.toml")
    return read_recipe(schema, read_text(ROOT / "schemas" / "tank_probe.calibration.toml"))


def test_shipped_recipe() -> None:
    """The example is read, and has a model of most kinds."""
    recipe = shipped()
    assert ["electrode", "thermistor", "amplifier", "cell", "conductivity"] == [
        c.name for c in recipe.calibrations]
    assert recipe.serial is not None and "identity.serial" == recipe.serial.name
    assert recipe.calibration("nothing") is None


def test_units_are_converted_by_prefix() -> None:
    """An offset in mV goes into a parameter in uV; a composed unit into its short form."""
    recipe = shipped()
    amplifier, cell = recipe.calibration("amplifier"), recipe.calibration("cell")
    assert amplifier is not None and cell is not None
    assert Fraction(1000) == amplifier.targets["offset"].factor
    assert Fraction(1) == cell.targets["gain"].factor


def test_readings_are_converted_by_prefix() -> None:
    """A thermistor may be read in kohm."""
    recipe = recipe_of('model = "beta"\nreading_unit = "kohm"\nbeta = "cal.beta"\nr25 = "cal.r25"')
    assert Fraction(1000) == recipe.calibrations[0].reading_factor
    assert Fraction(1, 1000) == recipe.calibrations[0].targets["r25"].factor


@pytest.mark.parametrize(("low", "high", "good"), [(0, 1, True), (1, 1, False), (1, 0, False)])
def test_a_range_has_two_ends(low: int, high: int, good: bool) -> None:
    """`from` below `to`: a range of one number is none."""
    body = f"{LINE}from = {low}\nto = {high}\n"
    if good:
        assert (low, high) == tuple(recipe_of(body).calibrations[0].number(k)
                                    for k in ("from", "to"))
    else:
        with pytest.raises(FindingsError) as caught:
            recipe_of(body)
        assert ["PS804"] == [f.code for f in caught.value.findings]


@pytest.mark.parametrize(("low", "right"), [(0, False), (-1, False), (0.001, True)])
def test_a_resistance_is_greater_than_0(low: float, right: bool) -> None:
    """So a range of readings in ohm begins above it."""
    lines = f'model = "beta"\nbeta = "cal.beta"\nr25 = "cal.r25"\nfrom = {low}\n'
    try:
        recipe_of(lines)
    except FindingsError as error:
        assert ["a resistance is greater than 0"] == [f.message for f in error.findings]
        assert not right
    else:
        assert right


@pytest.mark.parametrize(("degree", "right"), [(1, True), (2, False)])
def test_an_array_of_2_takes_a_line(degree: int, right: bool) -> None:
    """As a polynomial of degree 1, and of none above."""
    schema, _ = read_schema(SourceText("two.toml", SCHEMA_TEXT.replace(
        'poly = { type = "f64", count = 4 }', 'poly = { type = "f64", count = 2 }')))
    text = ('[calibration.one]\nmodel = "polynomial"\nreading_unit = "V"\nreference_unit = "m"\n'
            f'coefficients = "cal.poly"\ndegree = {degree}\n')
    try:
        read_recipe(schema, SourceText("recipe.toml", text))
    except FindingsError as error:
        assert ["a polynomial of degree 2 has 3 coefficients, `cal.poly` has room for 2"] == [
            f.message for f in error.findings]
        assert not right
    else:
        assert right
