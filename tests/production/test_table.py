"""Tables of units: what each kind of mistake is told, and what a good row becomes."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from paramstore.core.errors import Finding, FindingsError, Severity, SourceText
from paramstore.core.scalars import StoreRaws
from paramstore.image.pack import complete
from paramstore.image.values import read_values
from paramstore.production.table import MOST_ERRORS, TableReader, UnitRow
from paramstore.report.findings import count_line, findings_text
from paramstore.schema.from_raw import parameter_from_raw
from tests.goldens import golden
from tests.production.jobs import HEAD, place, plan

GOLDEN = Path(__file__).parent / "golden" / "tables.txt"


def row(head: str, cells: str) -> bytes:
    return f"identity.serial,{head}\nA1,{cells}\n".encode()


MISTAKES = {
    "empty": b"",
    "comments only": b"# units of lot 3\n\n",
    "header only": HEAD.encode() + b"\n",
    "no header": b"A1,2.5\nA2,2.6\n",
    "UTF-16": (HEAD + "\nA1,2.5\n").encode("utf-16"),
    "Latin-1": b"identity.serial,settings.label\nA1,\xfcber\n",
    "zero bytes": HEAD.encode() + b"\nA1,2\0\n",
    "never ends": HEAD.encode() + b"\n" + b"7" * 70_000,
    "byte-order mark": b"\xef\xbb\xbf" + HEAD.encode() + b"\nA1,2.5\n",
    "semicolons": b"identity.serial;trim.flow [ml/turn]\nA1;2,5\n",
    "tabs": b"identity.serial\ttrim.flow [ml/turn]\nA1\t2.5\n",
    "carriage returns": HEAD.encode() + b"\rA1,2.5\r",
    "quotes in the header": b'"identity.serial,trim.flow [ml/turn]\nA1,2.5\n',
    "quotes": HEAD.encode() + b'\n"A1,2.5\n',
    "no name": b"identity.serial,\nA1,2\n",
    "bare name": b"identity.serial,flow [ml/turn]\nA1,2\n",
    "misspelt": b"identity.serial,trim.flwo [ml/turn]\nA1,2\n",
    "no such group": b"identity.serial,gauge.pressure\nA1,2\n",
    "column twice": b"identity.serial,trim.low,trim.low\nA1,2,2\n",
    "column and its elements": b"identity.serial,trim.steps,trim.steps[0]\nA1,2,2\n",
    "wrong unit": b"identity.serial,trim.flow [l/turn]\nA1,2\n",
    "no unit": b"identity.serial,trim.flow\nA1,2\n",
    "unit of none": b"identity.serial,trim.low [mV]\nA1,2\n",
    "element missing": b"identity.serial,trim.steps[0],trim.steps[2]\nA1,1,2\n",
    "element too many": b"identity.serial,trim.steps[3]\nA1,1\n",
    "element of none": b"identity.serial,trim.low[0]\nA1,1\n",
    "point of a curve": b"identity.serial,trim.lift[0]\nA1,1\n",
    "too few cells": HEAD.encode() + b"\nA1\n",
    "decimal comma without quotes": HEAD.encode() + b"\nA1,2,5\n",
    "decimal comma in quotes": HEAD.encode() + b'\nA1,"2,5"\n',
    "thousands": row("trim.low", '"1,234.0"'),
    "thousands apart": row("trim.flow [ml/turn]", "1 234.5"),
    "thousands with narrow spaces": row("trim.low", "1\u202f234\u202f567"),
    "thousands with marks": row("trim.flow [ml/turn]", '"1\'234,5"'),
    "empty cell": HEAD.encode() + b"\nA1,\n",
    "formula": HEAD.encode() + b"\nA1,=B2*2\n",
    "formula as text": row("settings.label", "=A1"),
    "formula as bytes": row("settings.key", "=A1"),
    "error of a spreadsheet": HEAD.encode() + b"\nA1,#DIV/0!\n",
    "error in a text": row("settings.label", "#REF!"),
    "NaN": HEAD.encode() + b"\nA1,NaN\n",
    "infinite": HEAD.encode() + b"\nA1,-inf\n",
    "dash for minus": row("trim.zero [uV]", "\u22123"),
    "not a number": HEAD.encode() + b"\nA1,about 2\n",
    "number in another unit": HEAD.encode() + b"\nA1,2 l/turn\n",
    "above the maximum": HEAD.encode() + b"\nA1,9.5\n",
    "overflow": row("identity.board", "300"),
    "too large for f32": HEAD.encode() + b"\nA1,1e60\n",
    "not whole": row("trim.low", "10.5"),
    "member": row("identity.kind", "Hose"),
    "flag": row("identity.fitted", "display + lamp"),
    "bool": row("settings.quiet", "yes"),
    "date": row("identity.made", "31.1.2026"),
    "day that is none": row("identity.made", "2026-02-30"),
    "date before its time": row("identity.made", "1999-12-31"),
    "text too long": row("settings.label", "far too long"),
    "bytes too short": row("settings.key", "1F"),
    "too few elements": row("trim.steps", "1; 2"),
    "bad element": row("trim.steps", "1; 2; x"),
    "bad column of an element": row("trim.steps[0],trim.steps[1],trim.steps[2]", "1,70000,3"),
    "curve that falls": row("trim.lift [V mm]", "5 1; 4 2"),
    "coordinate missing": row(
        "trim.lift[0].x [V],trim.lift[0].y [mm],trim.lift[1].y [mm]", "5,1,2"),
    "no column is left": b"remark,#trim.flow\ngood,2\n",
    "half a point": row("trim.lift [V mm]", "5 1; 4"),
    "curve empty": row("trim.lift [V mm]", ""),
    "low above the default high": row("trim.low", "95"),
    "low above high": row("trim.low,trim.high", "40,30"),
    "serial with a slash": HEAD.encode() + b"\n../A1,2\n",
    "serial made a number": HEAD.encode() + b"\n1.23E+05,2\n",
    "serial empty": HEAD.encode() + b"\n,2\n",
    "serial quoted and empty": HEAD.encode() + b'\n"",2\n',
    "serial too long": HEAD.encode() + b"\nDP-26-000042,2\n",
    "serial twice": HEAD.encode() + b"\nA1,2\nA2,2\nA1,3\n",
    "serial twice but for its case": HEAD.encode() + b"\nA1,2\na2,2\na1,3\n",
    "rounded": row("trim.zero [uV]", "0.04") + b"A2,0.22\nA3,0.3\n",
}
WHOLE = {"carriage returns", "empty", "comments only", "header only", "UTF-16", "Latin-1",
         "zero bytes", "never ends"}


def reader_of(path: Path, data: bytes, bulk: bool = True) -> TableReader:
    path.write_bytes(data)
    of = plan()
    return TableReader(of.schema, str(path), place(of), complete(of, {}), bulk=bulk)


def findings_of(path: Path, data: bytes, bulk: bool = True) -> tuple[Finding, ...]:
    reader = reader_of(path, data, bulk)
    try:
        list(reader.blocks(2))
    except FindingsError as error:
        return error.findings
    return tuple(reader.findings)


def units_of(path: Path, data: bytes) -> list[UnitRow]:
    """Return the units with their raws, cell by cell; many at once it would be the same."""
    reader = reader_of(path, data, bulk=False)
    units = [unit for block in reader.blocks(2) for unit in block.units]
    assert [] == reader.findings
    return units


def values_of(unit: UnitRow) -> StoreRaws:
    assert unit.values is not None
    return unit.values


def test_messages_are_those_that_were_read_and_approved(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each kind of bad table gives exactly the message that is kept."""
    monkeypatch.chdir(tmp_path)
    text = ""
    for name, data in MISTAKES.items():
        findings = findings_of(Path("units.csv"), data)
        text += f"==== {name}\n{findings_text(findings)}{count_line(findings)}\n\n"
    assert golden(GOLDEN, text) == text


@pytest.mark.parametrize("name", MISTAKES)
def test_both_ways_of_reading_find_the_same(name: str, tmp_path: Path) -> None:
    """Cell by cell and many at once."""
    path = tmp_path / "units.csv"
    assert findings_of(path, MISTAKES[name], bulk=False) == findings_of(path, MISTAKES[name])


@pytest.mark.parametrize("name", MISTAKES)
def test_one_mistake_gives_one_finding(name: str, tmp_path: Path) -> None:
    """No mistake is told twice, none is passed over, and all but whole files have their place."""
    findings = findings_of(tmp_path / "units.csv", MISTAKES[name])
    assert 1 == len(findings)
    assert findings[0].help
    assert (name in WHOLE) == (findings[0].span is None)


def test_every_mistake_has_its_own_words(tmp_path: Path) -> None:
    """No two kinds of bad table are told in the same words."""
    kinds = MISTAKES.keys() - {"comments only", "serial quoted and empty",
                                "quotes in the header"}
    messages = {findings_of(tmp_path / "t.csv", MISTAKES[kind])[0].message for kind in kinds}
    assert len(kinds) == len(messages) >= 20


def test_all_rows_are_checked(tmp_path: Path) -> None:
    """A bad row does not hide the next one, and good rows between them are good."""
    reader = reader_of(tmp_path / "t.csv", HEAD.encode() + b"\nA1,x\nA2,2\nA3,99\n,2\n")
    blocks = list(reader.blocks(3))
    assert [(3, [2]), (1, [])] == [(b.rows, [u.number for u in b.units]) for b in blocks]
    assert [2, 4, 5] == [f.span.line for f in reader.findings if f.span]


def test_a_row_becomes_raws_and_a_values_file(tmp_path: Path) -> None:
    """Every kind of cell gives the value that a person meant, in both forms of several elements."""
    head = ("identity.serial,identity.kind,identity.fitted,identity.made,trim.flow [ml/turn],"
            "trim.steps,trim.lift[0].x [V],trim.lift[0].y [mm],trim.lift[1].x [V],"
            "trim.lift[1].y [mm],settings.label,settings.key,settings.quiet,remark,#batch\n")
    (unit,) = units_of(tmp_path / "t.csv", (
        head + 'A1,piston,display + relay,2026-02-28,2.5 ml/turn,1; 2; 3,1,-2.5,8,4,'
        '"a ""b"", c",0A ff,TRUE,whatever,=B2\n').encode())
    schema = plan().schema
    physical = {
        f"{g.name}.{p.name}": parameter_from_raw(p, values_of(unit)[g.name])
        for g in schema.groups for p in g.parameters
        if p.fields[0].name in values_of(unit).get(g.name, {})
    }
    assert {
        "identity.serial": "A1", "identity.kind": "piston",
        "identity.fitted": ["display", "relay"], "identity.made": date(2026, 2, 28),
        "trim.flow": 2.5, "trim.steps": [1, 2, 3], "trim.lift": [[1, -2.5], [8, 4]],
        "settings.label": 'a "b", c', "settings.key": "0A FF", "settings.quiet": True,
    } == physical
    given = read_values(schema, SourceText("given", unit.given)).values
    serial = given.setdefault("identity", {})
    serial["serial"] = values_of(unit)["identity"]["serial"]
    assert unit.values == given
    assert ("A1", 1) == (unit.serial, unit.number)


def test_texts_of_an_export_come_back(tmp_path: Path) -> None:
    """A quote that keeps a spreadsheet from running a text is not part of the text."""
    (unit,) = units_of(tmp_path / "t.csv", b"identity.serial,settings.label\nA1,'=1+1\n")
    assert b"=1+1\0\0\0\0" == bytes(map(int, values_of(unit)["settings"]["label"]))


def test_an_array_takes_one_value_for_all(tmp_path: Path) -> None:
    """As in a values file."""
    (unit,) = units_of(tmp_path / "t.csv", b"identity.serial,trim.steps\nA1,5\n")
    assert (5, 5, 5) == values_of(unit)["trim"]["steps"]


def test_a_table_of_mistakes_ends(tmp_path: Path) -> None:
    """A table of another kind is not told line by line to its end."""
    data = HEAD.encode() + b"\n" + b"".join(b"A%d,x\n" % i for i in range(5 * MOST_ERRORS))
    assert MOST_ERRORS + 1 == len(findings_of(tmp_path / "t.csv", data))


def test_warnings_leave_the_row_good(tmp_path: Path) -> None:
    """Rounding is told once for a column, with the worst of its errors."""
    reader = reader_of(tmp_path / "t.csv", MISTAKES["rounded"])
    assert [3] == [len(block.units) for block in reader.blocks(9)]
    assert [Severity.WARNING] == [f.severity for f in reader.findings]
    assert "in 2 rows" in reader.findings[0].message
    assert "at most 0.04 uV off" in reader.findings[0].notes[0]


def test_a_point_that_does_not_rise_is_shown_in_its_column(tmp_path: Path) -> None:
    """Where each coordinate has a column of its own."""
    head = "trim.lift[0].x [V],trim.lift[0].y [mm],trim.lift[1].x [V],trim.lift[1].y [mm]"
    (finding,) = findings_of(tmp_path / "t.csv", row(head, "5,1,4,2"))
    assert ("PS946", "`lift.x` must rise: 4 V follows 5 V") == (finding.code, finding.message)
    assert finding.span is not None
    assert (8, 9) == (finding.span.column, finding.span.end_column)
