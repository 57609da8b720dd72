"""Tables of measurements: what is read, and one clear message at its place for every mistake."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.calibrate.cells import source_of, split_rows
from paramstore.calibrate.recipe import Calibration
from paramstore.calibrate.table import MAX_ROWS, Table, read_table
from paramstore.core.errors import Finding, FindingsError, Severity, SourceText
from paramstore.report.findings import count_line, findings_text
from tests.calibrate.bench import LINE, recipe_of
from tests.goldens import golden

GOLDEN = Path(__file__).parent / "golden" / "table_mistakes.txt"
HEAD = "reference [degC],reading [mV]\n"
PH = 'model = "ph"\nslope = "cal.slope"\nzero = "cal.zero"\n'
NTC = 'model = "steinhart-hart"\ncoefficients = "cal.abc"\n'
ADC = 'model = "adc"\nfull_scale = 4096\nreference_voltage = "cal.vref"\n'
PERCENT = ('model = "curve"\nreading_unit = "mV"\nreference_unit = "mV"\ncurve = "cal.bend"\n'
           'gives = "percent"\n')

MISTAKES: dict[str, tuple[str, bytes]] = {
    "empty": (LINE, b""),
    "comments only": (LINE, b"# nothing here\n\n,,\n"),
    "no measurements": (LINE, HEAD.encode()),
    "not UTF-8": (LINE, HEAD.encode() + "1,2 Ω\n".encode("latin-1", "replace") + b"\xb5,1\n"),
    "UTF-16": (LINE, (HEAD + "1,2\n").encode("utf-16")),
    "byte-order mark": (LINE, (HEAD + "1,2\n3,4\n").encode("utf-8-sig")),
    "semicolons": (LINE, b"reference [degC];reading [mV]\n1,5;2,5\n"),
    "tabs": (LINE, b"reference [degC]\treading [mV]\n1.5\t2.5\n"),
    "carriage returns": (LINE, b"reference [degC],reading [mV]\r1.5,2.5\r"),
    "no header": (LINE, b"1.5,2.5\n3,4\n"),
    "duplicate header": (LINE, b"reference [degC],reading [mV],reading [mV]\n1,2,2\n"),
    "column without a name": (LINE, b"reference [degC],reading [mV],\n1,2,3\n"),
    "brackets": (LINE, b"reference [degC,reading [mV]\n1,2\n"),
    "missing column": (LINE, b"reference [degC]\n1\n"),
    "missing temperature": (PH, b"reference [pH],reading [mV]\n4,170\n7,1\n"),
    "misspelt column": (LINE, b"refrence [degC],reading [mV]\n1,2\n"),
    "column of no use": (LINE, HEAD.replace("\n", ",humidity [%]\n1,2,40\n3,4,40\n").encode()),
    "unit": (LINE, b"reference [degC],reading [V]\n1,2\n"),
    "no unit": (LINE, b"reference,reading [mV]\n1,2\n"),
    "expanded uncertainty by its symbol": (LINE, HEAD.replace(
        "\n", ",U [degC]\n1,2,0.1\n").encode()),
    "expanded uncertainty": (LINE, HEAD.replace(
        "\n", ",expanded uncertainty [degC]\n1,2,0.1\n").encode()),
    "unit of uncertainty": (LINE, HEAD.replace("\n", ",uncertainty [mV]\n1,2,0.1\n").encode()),
    "too many cells": (LINE, HEAD.encode() + b"1.0,2.0,3.0\n"),
    "too few cells": (LINE, HEAD.encode() + b"1.0\n"),
    "decimal commas": (LINE, HEAD.encode() + b"7,01,-3,9\n"),
    "quoted decimal comma": (LINE, HEAD.encode() + b'"7,01",2\n'),
    "thousands": (LINE, HEAD.encode() + b'"1,234.5",2\n'),
    "thousands apart": (LINE, HEAD.encode() + b"1 234.5,2\n"),
    "thousands with marks": (LINE, HEAD.encode() + b"1'234.5,2\n"),
    "quotes": (LINE, HEAD.encode() + b'"7.01,2\n'),
    "empty cell": (LINE, HEAD.encode() + b"7.01,\n"),
    "text": (LINE, HEAD.encode() + b"7.01,open\n"),
    "unit in the cell": (LINE, HEAD.encode() + b"7.01,12 mV\n"),
    "dash": (LINE, (HEAD + "7.01,−58\n").encode()),
    "nan": (LINE, HEAD.encode() + b"7.01,NaN\n"),
    "infinity": (LINE, HEAD.encode() + b"-inf,1\n"),
    "overflow": (LINE, HEAD.encode() + b"7.01,1e999\n"),
    "formula": (LINE, HEAD.encode() + b"7.01,=A1*2\n"),
    "formula with a sign": (LINE, HEAD.encode() + b"7.01,+B2\n"),
    "spreadsheet error": (LINE, HEAD.encode() + b"7.01,#DIV/0!\n"),
    "uncertainty of 0": (LINE, HEAD.replace("\n", ",uncertainty [degC]\n1,2,0\n").encode()),
    "uncertainty missing": (LINE, HEAD.replace("\n", ",uncertainty [degC]\n1,2,\n").encode()),
    "resistance": (NTC, b"reference [degC],reading [ohm]\n25,-10000\n"),
    "beyond the converter": (ADC, b"reference [V],reading [count]\n1,5000\n"),
    "colder than cold": (NTC, b"reference [degC],reading [ohm]\n-300,10000\n"),
    "temperature": (PH, b"reference [pH],reading [mV],temperature [degC]\n4,170,-274\n"),
    "percent of 0": (PERCENT, b"reference [mV],reading [mV]\n0,0\n"),
    "serial": (LINE, HEAD.replace("\n", ",serial\n1,2,../../etc/passwd\n").encode()),
    "serial missing": (LINE, HEAD.replace("\n", ",serial\n1,2,\n").encode()),
    "too many rows": (LINE, HEAD.encode() + b"1,2\n" * (MAX_ROWS + 1)),
}


def calibration_of(body: str) -> Calibration:
    return recipe_of(body).calibrations[0]


def read(body: str, data: bytes) -> Table:
    return read_table(source_of("bench.csv", data), calibration_of(body))


def findings_of(body: str, data: bytes) -> tuple[Finding, ...]:
    try:
        return read(body, data).warnings
    except FindingsError as error:
        return error.findings


def test_messages_are_those_that_were_read_and_approved() -> None:
    """Each mistake gives exactly the message that is kept."""
    text = ""
    for name, (body, data) in MISTAKES.items():
        findings = findings_of(body, data)
        text += f"==== {name}\n{findings_text(findings)}{count_line(findings)}\n\n"
    assert golden(GOLDEN, text) == text


@pytest.mark.parametrize("name", MISTAKES)
def test_one_mistake_gives_one_finding(name: str) -> None:
    """No mistake is told twice, none is passed over, and all but whole files have their place."""
    findings = findings_of(*MISTAKES[name])
    assert 1 == len(findings)
    assert all(f.help for f in findings)
    whole = ("empty", "comments only", "not UTF-8", "UTF-16", "carriage returns")
    assert (name in whole) == (findings[0].span is None)


def test_warnings_do_not_stop_the_work() -> None:
    """A byte-order mark and a column of no use are told, and the table is read."""
    for name in ("byte-order mark", "column of no use"):
        table = read(*MISTAKES[name])
        assert [Severity.WARNING] == [w.severity for w in table.warnings]
        assert [(1.0, 2.0), (3.0, 4.0)] == [(m.reference, m.reading) for m in table.units[""]]


def test_what_is_read() -> None:
    """Columns in any order, blanks, quotes, comments, Windows line ends, spellings of units."""
    table = read(LINE, '# by hand\r\n Reading [mV] ,"serial",reference [°C],remark\r\n'
                 '-1.5e1,TP-1, +2 ,"a, b ""c"""\r\n\r\n.5,TP-2,3.,\r\n4,TP-1,5,\r\n'.encode())
    assert () == table.warnings
    assert {"TP-1": [(2.0, -15.0, 3), (5.0, 4.0, 6)], "TP-2": [(3.0, 0.5, 5)]} == {
        serial: [(m.reference, m.reading, m.span.line) for m in rows]
        for serial, rows in table.units.items()}


def test_temperature_of_the_recipe() -> None:
    """Without a column the recipe's temperature holds; a column wins."""
    body = PH + "temperature_c = 20\n"
    assert 20 == read(body, b"reference [pH],reading [mV]\n4,170\n").units[""][0].temperature
    assert 22 == read(body, b"reference [pH],reading [mV],temperature [degC]\n4,170,22\n"
                      ).units[""][0].temperature


def test_plain_numbers_need_no_unit() -> None:
    """A column of plain numbers is headed with or without [1]."""
    body = LINE.replace('"mV"', '"1"')
    for head in ("reading", "reading [1]", "reading []"):
        assert 1 == len(read(body, f"reference [degC],{head}\n1,2\n".encode()).units)


@given(st.lists(st.text(st.characters(exclude_characters="\n\r", exclude_categories=["Cs"])),
                min_size=1, max_size=5))
def test_cells_stand_where_they_are_said_to(texts: list[str]) -> None:
    """Quoted cells come back as written, and the text at each place is that cell."""
    line = ",".join('"' + t.replace('"', '""') + '"' for t in texts)
    findings: list[Finding] = []
    rows = list(split_rows(SourceText("x.csv", line), findings))
    assert [] == findings
    assert [[t.strip() for t in texts]] == [[c.text for c in row] for row in rows]
    for cell, text in zip(rows[0], texts, strict=True):
        span = cell.span
        assert '"' + text.replace('"', '""') + '"' == line[span.column - 1:span.end_column - 1]


@given(st.binary(max_size=200) | st.text(alphabet='0123,.;"=-#eE\n [mVrefading', max_size=200)
       .map(str.encode))
def test_nothing_but_findings_comes_of_any_bytes(data: bytes) -> None:
    """Whatever a file holds, it is read or refused with findings that have a place in it."""
    for text in (data, HEAD.encode() + data):
        for finding in findings_of(LINE, text):
            assert finding.help
            if finding.span and finding.source:
                line = finding.source.line(finding.span.line)
                assert 1 <= finding.span.column <= len(line) + 1
