"""Rows read many at once become what they become cell by cell: values, texts and findings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from paramstore.core.errors import Finding, FindingsError, SourceText
from paramstore.image.pack import complete
from paramstore.layout.plan import Plan
from paramstore.production.columns import column_name
from paramstore.production.serials import serial_place
from paramstore.production.table import TableReader
from paramstore.releases.project import open_project
from tests.production.jobs import SCHEMA

WIDE = SCHEMA + """
[group.wide]
role = "setting"
writes = "1 per year"
[group.wide.parameter]
a = { type = "u8", scale = 0.5, offset = -3 }
b = { type = "i16", scale = 0.03, min = -9, max = 9 }
c = { type = "u64" }
d = { type = "i64", min = -1000000000000, max = 1000000000000 }
e = { type = "f64" }
f = { type = "f32" }
g = { type = "f32", count = 2, min = -1, max = 1000, default = 1 }
h = { type = "i8", scale = -0.1 }
i = { type = "u32", scale = 1e-9 }
j = { type = "enum", members = ["a", "b"], count = 2 }
k = { type = "u16", scale = 0.125, offset = 0.0625 }
"""
DIGITS = st.text("0123456789", min_size=1, max_size=9)
NUMBERS = st.one_of(
    st.builds("{}{}.{}".format, st.sampled_from(["", "-"]), DIGITS, DIGITS),
    st.builds("{}{}".format, st.sampled_from(["", "-"]), DIGITS),
    st.builds("{}.{}e{}".format, DIGITS, DIGITS, st.integers(-60, 60)),
    st.integers(-40, 4000).map(lambda n: f"{n / 16:.4f}"),  # half-way between two steps
    st.floats(width=32, allow_nan=False, allow_infinity=False).map(lambda x: f"{x:.12g}"),
    st.sampled_from(["0", "-0", "-0.0", "00.10", "16777217", "16777219", "0.00000012", "1e-45",
                     "3.4028235e38", "3.4028236e38", "+1", ".5", "5.", "1 V", "2,5", "", "nan"]),
)
TEXTS = st.one_of(st.text("ab =#'\"\\é", max_size=8), st.sampled_from(["=1", "'=1", "#x", "tank"]))
PARTS = st.lists(NUMBERS, min_size=1, max_size=3).map("; ".join)
POINTS = st.lists(st.builds("{} {}".format, NUMBERS, NUMBERS), min_size=1, max_size=3)
WORDS = st.sampled_from(["hose", "piston", "display", "display + relay", "none", "a; b", "b", "x",
                         "true", "no", "2026-02-28", "0A ff"])
PLAN = open_project(SourceText("pump.toml", WIDE)).plan


def cells_of(kind: str) -> st.SearchStrategy[str]:
    usual = {"text": TEXTS, "curve": POINTS.map("; ".join), "integer": NUMBERS, "float": NUMBERS}
    return st.one_of(usual.get(kind, WORDS), PARTS, st.just("-"))


@st.composite
def tables(draw: st.DrawFn) -> str:
    """A header of some columns, and up to eight rows of what may stand in them."""
    every = [(g, p) for g in PLAN.schema.groups for p in g.parameters if p.name != "serial"]
    columns = draw(st.lists(st.sampled_from(every), min_size=1, max_size=4, unique=True))
    head = ["identity.serial", *(column_name(g, p) for g, p in columns)]
    lines = []
    for _ in range(draw(st.integers(1, 8))):
        cells = [draw(st.sampled_from(["A1", "A2", "A3", "B-4", "B-5", "no/t", "", '""'])),
                 *(draw(cells_of(p.kind)) for _, p in columns)]
        lines.append(",".join(
            '"' + c.replace('"', '""') + '"' if draw(st.integers(0, 9)) == 0 or '"' in c[1:]
            or "," in c else c for c in cells))
    return "\n".join([",".join(head), *lines]) + "\n"


def read(plan: Plan, path: Path, bulk: bool, size: int) -> tuple[list[Any], list[Finding]]:
    """Return number, serial number, raws of each parameter as bytes, and TOML of each unit."""
    reader = TableReader(plan.schema, str(path), serial_place(plan.schema), complete(plan, {}),
                         bulk=bulk)
    scalars = {(g.name, f.name): f.scalar for g in plan.schema.groups for p in g.parameters
               for f in p.fields}
    units = []
    try:
        for block in reader.blocks(size):
            for index, unit in enumerate(block.units):
                raws = {key: column[index].tolist() for key, column in block.columns.items()} if (
                    unit.values is None) else {
                    (g, f): raws for g, fields in unit.values.items() for f, raws in fields.items()}
                stored = {key: b"".join(map(scalars[key].pack, values))
                          for key, values in raws.items()}
                units.append((unit.number, unit.serial, stored, unit.given))
    except FindingsError as error:
        return units, list(error.findings)
    return units, sorted(reader.findings, key=lambda finding: finding.sort_key)


@given(tables(), st.integers(1, 9))
@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_many_at_once_or_cell_by_cell(tmp_path: Path, table: str, size: int) -> None:
    """The same units, to the byte, and the same findings at the same places."""
    path = tmp_path / "units.csv"
    path.write_text(table)
    units, findings = read(PLAN, path, False, 3)
    quick, quick_findings = read(PLAN, path, True, size)
    assert units == quick
    assert findings == quick_findings


def test_usual_rows_are_read_many_at_once(tmp_path: Path) -> None:
    """Rows of every kind of parameter, and one in between that is unusual."""
    path = tmp_path / "units.csv"
    path.write_text(
        "identity.serial,identity.kind,trim.flow [ml/turn],trim.zero [uV],trim.steps[0],"
        "trim.steps[1],trim.steps[2],trim.lift [V mm],trim.low,settings.label,wide.g,wide.e\n"
        + "".join(f"A{n},hose,{flow},{n / 10},1,2,{n},0 1.5; {n} 2,{n},no {n},0.5; {n},{n}e-3\n"
                  for n, flow in ((3, "2.5"), (4, "2.5 ml/turn"), (5, "2.25"))))
    reader = TableReader(PLAN.schema, str(path), serial_place(PLAN.schema), complete(PLAN, {}))
    (block,) = reader.blocks(10)
    assert [None, dict, None] == [u.values and type(u.values) for u in block.units]
    assert [2.5, 2.25] == block.columns["trim", "flow"][[0, 2]].ravel().tolist()


def test_an_empty_text_in_quotes_is_usual(tmp_path: Path) -> None:
    """As exported tables have it; one without quotes was forgotten."""
    path = tmp_path / "units.csv"
    path.write_text('trim.low,settings.label\n1,""\n2,\n3,"a"\n')
    reader = TableReader(PLAN.schema, str(path), serial_place(PLAN.schema), complete(PLAN, {}))
    (block,) = reader.blocks(10)
    assert [(1, None), (3, None)] == [(u.number, u.values) for u in block.units]
    assert [bytes(8), b"a".ljust(8, b"\0")] == [
        bytes(line) for line in block.columns["settings", "label"].tolist()]
    assert ['[trim]\nlow = 1\n[settings]\nlabel = ""', "PS941"] == [
        block.units[0].given, *(f.code for f in reader.findings)]


def test_a_rule_between_columns_is_checked(tmp_path: Path) -> None:
    """Rows that keep `below`, against another column and against the constant, stay usual."""
    path = tmp_path / "units.csv"
    for head, rows, usual in (("trim.low,trim.high", "1,2\n7,7\n8,9\n", 2),
                              ("trim.low", "89\n90\n", 1), ("trim.high", "10\n11\n", 1)):
        path.write_text(f"{head}\n{rows}")
        reader = TableReader(PLAN.schema, str(path), serial_place(PLAN.schema), complete(PLAN, {}))
        (block,) = reader.blocks(10)
        assert [None] * usual == [u.values for u in block.units]
        assert {"PS947"} == {f.code for f in reader.findings}


@pytest.mark.parametrize("keep", [[True, True, True], [True, False, True], [False] * 3])
def test_a_block_can_lose_units(tmp_path: Path, keep: list[bool]) -> None:
    """Its columns lose the same lines."""
    path = tmp_path / "units.csv"
    path.write_text("trim.low\n1\n2\n3\n")
    reader = TableReader(PLAN.schema, str(path), serial_place(PLAN.schema), complete(PLAN, {}))
    (block,) = reader.blocks(10)
    rest = block.only(keep)
    expected = [n for n, kept in zip((1, 2, 3), keep, strict=True) if kept]
    assert expected == [u.number for u in rest.units]
    assert expected == np.ravel(rest.columns["trim", "low"]).tolist()
