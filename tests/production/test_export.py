"""Units on record: tables that come back, texts that nothing executes, labels."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from paramstore.core.errors import ToolError
from paramstore.production.export import Exporter, label_text, spreadsheet_safe, units_csv
from paramstore.production.records import Event, Records
from tests.production.jobs import job_of, made

TABLE = """\
trim.flow [ml/turn],trim.zero [uV],trim.steps,trim.lift [V mm],settings.label,settings.key,\
settings.quiet,identity.kind,identity.fitted,identity.made
2.5,-12.5,1; 2; 3,0 -1; 200 63.5,'=1+1,0A ff,true,piston,display + relay,2026-02-17
0.75,0,7,1 0; 2 1,"a, ""b""\",00 00,FALSE,hose,none,2000-01-01
9,499.9,4; 5; 6,3 3; 4 4,"",12 34,false,hose,relay,2179-06-06
"""


@pytest.fixture
def records(tmp_path: Path) -> Path:
    (tmp_path / "lot1.csv").write_text(TABLE)
    made(job_of(tmp_path / "lot1.csv"), tmp_path / "r.db", tmp_path / "out")
    return tmp_path / "r.db"


def exported(path: Path, text: str = "") -> str:
    with Records(str(path)) as kept:
        exporter = Exporter(kept)
        return "".join(units_csv(exporter.values(u) for u in kept.units(text)))


def test_an_export_makes_the_same_images(records: Path, tmp_path: Path) -> None:
    """It is a table of units itself: made in another place, it gives the same bytes."""
    table = tmp_path / "again.csv"
    table.write_text(exported(records))
    again = made(job_of(table, pattern=None), tmp_path / "other.db", tmp_path / "b")
    assert {p.stem: p.read_bytes() for p in (tmp_path / "out").iterdir()} == again


def test_the_table_has_the_facts_too(records: Path) -> None:
    """Batch, row, digest, what was done with the part."""
    with Records(str(records)) as kept:
        kept.add_event("DP-0001", Event("2026-03-02T09:00:00Z", "write", False, "-no answer"))
        kept.add_event("DP-0001", Event("2026-03-02T09:05:00Z", "write", True, "9 pages"))
        kept.add_event("DP-0002", Event("2026-03-02T09:06:00Z", "verify", False, "=HYPERLINK()"))
    first, second, third = csv.DictReader(io.StringIO(exported(records)))
    assert ("DP-0001", "lot1", "1") == (first["identity.serial"], first["#batch"], first["#row"])
    assert ("2026-03-02T09:05:00Z good", "") == (first["#written"], first["#verified"])
    assert "2026-03-02T09:06:00Z failed: =HYPERLINK()" == second["#verified"]
    assert 64 == len(third["#sha256"])


def test_texts_that_a_spreadsheet_would_run_are_neutralised(records: Path) -> None:
    """Texts alone: a negative number stays a number (common practice)."""
    (row, *_) = csv.DictReader(io.StringIO(exported(records)))
    assert ("'=1+1", "-12.5") == (row["settings.label"], row["trim.zero [uV]"])
    for text in ("=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx", "\nx", "\uff1d1", "'=1"):
        assert f"'{text}" == spreadsheet_safe(text)
    assert ("", "a=b", "1-2") == tuple(map(spreadsheet_safe, ("", "a=b", "1-2")))
    assert "'a" == spreadsheet_safe("'a")


def test_units_of_two_layouts_make_no_table(records: Path, tmp_path: Path) -> None:
    """They have other columns."""
    from dataclasses import replace

    (tmp_path / "lot2.csv").write_text("trim.low\n3\n")
    job = job_of(tmp_path / "lot2.csv", name="lot2")
    job.plan = replace(job.plan, release=1)
    made(job, records, tmp_path / "b")
    with pytest.raises(ToolError, match="more than one"):
        exported(records)
    assert exported(records, "DP-0004").count("\n") == 2


def test_labels_are_filled_in(records: Path) -> None:
    """Any parameter with its unit; a name that is not known gets a suggestion."""
    with Records(str(records)) as kept:
        unit = kept.unit("DP-0001")
        assert unit is not None
        item = Exporter(kept).values(unit)
    assert "dosing_pump DP-0001\n2.5 ml/turn, piston, display + relay" == label_text(
        item, "{store} {serial}\\n{trim.flow}, {identity.kind}, {identity.fitted}")
    with pytest.raises(ToolError, match="cannot show") as caught:
        label_text(item, "{trim.flwo}")
    assert "trim.flow" in caught.value.help


def test_a_value_for_all_units_stays_one_on_the_way_through_a_table(
    records: Path, tmp_path: Path
) -> None:
    """A table of all values, made into images again, gives nothing for a unit that was not given
    for it before; what it changes is."""
    def own(text: str, batch: str | None = None) -> set[str]:
        with Records(str(records)) as kept:
            found = kept.unit(text, batch)
            assert found is not None
            return {".".join(key) for key in Exporter(kept).values(found).own}

    (tmp_path / "few.csv").write_text("trim.flow [ml/turn]\n2\n3\n")
    made(job_of(tmp_path / "few.csv", name="few"), records, tmp_path / "few")
    assert {"identity.serial", "trim.flow"} == own("DP-0004")
    for number, name in enumerate(("again", "once_more")):
        rows = exported(records, "DP-0004").splitlines()
        if number:
            high = rows[0].split(",").index("trim.high")
            cells = rows[1].split(",")
            assert "-" == cells[high]
            rows[1] = ",".join([*cells[:high], "95", *cells[high + 1:]])
        table = tmp_path / f"{name}.csv"
        table.write_text("\n".join(rows) + "\n")
        made(job_of(table, pattern=None, name=name, again=True), records, tmp_path / name)
        assert {"identity.serial", "trim.flow", *["trim.high"] * number} == own("DP-0004")
    assert {"identity.serial", "trim.flow"} == own("DP-0004", "again")
    assert {"identity.serial", "trim.flow"} == own("DP-0004", "few")
