"""A small schema, recipes and tables for the tests of calibration. All invented."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from paramstore.calibrate.recipe import Recipe
from paramstore.calibrate.recipe_reader import read_recipe
from paramstore.calibrate.result import Outcome, Result
from paramstore.calibrate.run import calibrate
from paramstore.calibrate.table import read_table
from paramstore.core.errors import FindingsError, SourceText
from paramstore.report.findings import count_line, findings_text
from paramstore.schema.model import Schema
from paramstore.schema.reader import read_schema

SCHEMA_TEXT = """
[store]
name = "bench"
part = "24LC32A"
[group.identity]
role = "identity"
writes = "1 per life"
[group.identity.parameter]
serial = { type = "text", size = 12 }
[group.cal]
role = "calibration"
writes = "1 per year"
[group.cal.parameter]
gain = { type = "f64" }
offset = { type = "f64" }
gains = { type = "f64", count = 3 }
offsets = { type = "i16", count = 3, scale = 0.01, unit = "degC", default = [1, 2, 3] }
gain_f32 = { type = "f32" }
offset_f32 = { type = "f32" }
gain_steps = { type = "i32", scale = 0.001, default = 1 }
offset_uv = { type = "i16", scale = 0.5, unit = "uV", min = -500, max = 500 }
slope = { type = "f64", unit = "mV/pH" }
zero = { type = "i16", scale = 0.1, unit = "mV" }
wide_zero = { type = "f64", unit = "mV" }
buffers = { type = "i16", scale = 0.01, unit = "degC" }
vref = { type = "u16", scale = 0.0001, unit = "V", min = 2.4, max = 2.6, default = 2.5 }
abc = { type = "f64", count = 3 }
abc_f32 = { type = "f32", count = 3 }
poly = { type = "f64", count = 4 }
poly_c = { type = "f32", count = 3, unit = "degC" }
beta = { type = "f64", unit = "K" }
r25 = { type = "f64", unit = "kohm" }
pt_r0 = { type = "f64", unit = "ohm" }
pt_a = { type = "f64", unit = "1/K" }
pt_b = { type = "f64", unit = "1/K^2" }
pt_c = { type = "f64", unit = "1/K^4" }
plane = { type = "f64", count = 6 }
cell = { type = "f64", unit = "1/cm" }
on = { type = "date" }
until = { type = "date" }
by = { type = "text", size = 16 }
used = { type = "flags", members = ["ph4", "ph7"] }
mode = { type = "enum", members = ["off", "on"] }
bend = { type = "curve", points = 4, x = { type = "f64" }, y = { type = "f64" }, default = [
    [0, 0], [1, 0], [2, 0], [3, 0]] }

[group.cal.parameter.tenths]
type = "curve"
points = 4
x = { type = "i16", scale = 0.1, unit = "mV" }
y = { type = "i32", scale = 0.001, unit = "degC" }
default = [[0, 0], [1, 0], [2, 0], [3, 0]]

[group.cal.parameter.curve]
type = "curve"
points = 5
x = { type = "u16", unit = "mV" }
y = { type = "i32", scale = 0.001, unit = "degC" }
default = [[0, 0], [1, 0], [2, 0], [3, 0], [4, 0]]
"""
SCHEMA: Schema = read_schema(SourceText("bench.toml", SCHEMA_TEXT))[0]

LINE = """model = "line"
reading_unit = "mV"
reference_unit = "degC"
gain = "cal.gain"
offset = "cal.offset"
"""


def recipe_of(body: str, name: str = "one") -> Recipe:
    """Return a recipe with one calibration."""
    return read_recipe(SCHEMA, SourceText("recipe.toml", f"[calibration.{name}]\n{body}"))


def csv(head: str, rows: Iterable[Sequence[object]]) -> str:
    """Return a table; floats with all their digits."""
    return "\n".join([head, *(",".join(map(str, row)) for row in rows)]) + "\n"


def outcome_of(body: str, table: str) -> Outcome:
    """Return what a table comes to with a recipe of one calibration."""
    recipe = recipe_of(body)
    return calibrate(recipe, {"one": read_table(SourceText("bench.csv", table),
                                                recipe.calibrations[0])})


def result_of(body: str, head: str, rows: Iterable[Sequence[object]]) -> Result:
    """Return the only result of a table without serial numbers."""
    ((result,),) = (list(u.results) for u in outcome_of(body, csv(head, rows)).units)
    return result


def messages(body: str, table: str) -> str:
    """Return the findings of a recipe and a table as a person sees them."""
    try:
        findings = outcome_of(body, table).warnings
    except FindingsError as error:
        findings = error.findings
    return findings_text(findings) + count_line(findings) + "\n"
