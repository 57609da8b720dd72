"""From what a person asks for to a batch: names, folders, and values of all units."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.calibrate.recipe import ALL_UNITS_FILE
from paramstore.core.errors import FindingsError, SourceText, ToolError
from paramstore.production.batch import BatchJob
from paramstore.production.start import Wanted, count_lines, default_records, prepare
from tests.production.jobs import HEAD, plan

PLAN = plan()


@pytest.fixture
def table(tmp_path: Path) -> str:
    path = tmp_path / "lot7.csv"
    path.write_text(f"{HEAD}\nA1,2\n")
    return str(path)


def asked(table: str, **more: object) -> BatchJob:
    job, _ = prepare(PLAN, Wanted(table, **more), lambda: "now")  # type: ignore[arg-type]
    return job


def test_what_nobody_says_has_a_default(table: str) -> None:
    """The batch has the name of its table, and images in raw binary."""
    job = asked(table)
    assert ("lot7", "bin", ".bin", 1, False, None, None, False) == (
        job.name, job.form.name, job.suffix, job.first, job.again, job.calibrations, job.pattern,
        job.defaults)
    assert "identity.serial" == job.serial_parameter.name
    assert (("trim",), {"identity": ("board", "kind", "fitted", "made"), "trim": (
        "flow", "zero", "steps", "low", "high", "lift")}) == (job.optional, job.left_out)


def test_what_a_person_says_is_taken(table: str) -> None:
    """Name, form, pattern, first number, and values for all units."""
    job = asked(table, name="x.1", form="hex", serial="DP-##", first=7, again=True,
                write_defaults=True, settings=("trim.zero=1.5",),
                values=SourceText("v.toml", "[settings]\nquiet = true\n"))
    assert ("x.1", "hex", ".hex", "DP-##", 7, True, True) == (
        job.name, job.form.name, job.suffix, str(job.pattern), job.first, job.again, job.defaults)
    assert ((15,), (1,)) == (job.constants["trim"]["zero"], job.constants["settings"]["quiet"])
    assert ((), ("flow", "steps", "low", "high", "lift")) == (job.optional, job.left_out["trim"])


@pytest.mark.parametrize(("more", "message"), [
    ({"name": "a b"}, "`a b` cannot be the name of a batch"),
    ({"name": "../up"}, "`../up` cannot be the name of a batch"),
    ({"form": "uf2"}, "a batch is not made as `uf2`"),
    ({"calibrations": "nowhere"}, "there is no folder `nowhere`"),
    ({"serial_parameter": "trim.flow"}, "`trim.flow` cannot hold a serial number"),
])
def test_what_cannot_be_is_refused(table: str, more: dict[str, str], message: str) -> None:
    """Before anything is made."""
    with pytest.raises(ToolError) as caught:
        asked(table, **more)
    assert message == str(caught.value)
    assert caught.value.help


def test_what_was_measured_once_is_common_to_all(table: str, tmp_path: Path) -> None:
    """It becomes a constant, unless a value for all units says otherwise."""
    folder = tmp_path / "calibrations"
    folder.mkdir()
    assert {} == asked(table, calibrations=str(folder)).measured_once
    (folder / ALL_UNITS_FILE).write_text("[trim]\nzero = 2.5\n")
    job = asked(table, calibrations=str(folder))
    assert ({"trim": {"zero": (25,)}}, (25,), (10,)) == (
        job.measured_once, job.constants["trim"]["zero"], job.constants["trim"]["low"])
    asked(table, calibrations=str(folder), settings=("trim.zero=2.5",))
    with pytest.raises(FindingsError) as caught:
        asked(table, calibrations=str(folder), settings=("trim.zero=2.6",))
    assert [("PS957", "`trim.zero` differs between the values of all units and their calibration")
            ] == [(f.code, f.message) for f in caught.value.findings]


def test_a_unit_may_measure_again_what_was_measured_once(table: str, tmp_path: Path) -> None:
    """Its own file with the common value gives it none of its own; another value is its own."""
    (tmp_path / ALL_UNITS_FILE).write_text("[trim]\nzero = 2.5\n")
    for zero, own in ((2.5, ["trim.flow"]), (2.6, ["trim.flow", "trim.zero"])):
        (tmp_path / "A1.toml").write_text(f"[trim]\nzero = {zero}\n")
        job = asked(table, calibrations=str(tmp_path))
        (block,) = job._reader().blocks(9)
        (unit,) = block.units
        assert own == [f"trim.{line.partition(' ')[0]}" for line in unit.given.splitlines()[1:]]


def test_how_long_a_table_is(table: str, tmp_path: Path) -> None:
    """In lines; a table that is not there is told."""
    assert 2 == count_lines(table)
    with pytest.raises(ToolError, match="nothing"):
        count_lines(str(tmp_path / "nothing.csv"))
    assert "/a/pump.units.db" == default_records("/a/pump.toml")
