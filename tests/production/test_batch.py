"""A production run: checked first, made once, repeated at will."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from paramstore.core.errors import FindingsError, Severity, ToolError
from paramstore.image.contents import unpack
from paramstore.image.pack import pack
from paramstore.production import packer
from paramstore.production.batch import BatchJob, batch_plan
from paramstore.production.outputs import open_output
from paramstore.production.records import Records, SerialsExhausted, SerialTaken
from paramstore.schema.from_raw import from_raw
from tests.production.jobs import HEAD, job_of, made, plan, rows


@pytest.fixture
def table(tmp_path: Path) -> Path:
    path = tmp_path / "lot1.csv"
    path.write_text(rows(3))
    return path


def codes(job: BatchJob, records: Path) -> list[str]:
    """Return the codes of what a check finds, warnings left out."""
    try:
        with Records(str(records), create=True) as kept:
            findings = job.check(kept).findings
    except FindingsError as error:
        findings = error.findings
    return [f.code for f in findings if f.severity == "error"]


def test_each_unit_has_its_image_and_its_record(table: Path, tmp_path: Path) -> None:
    """The image is that of the codec for these values, and the record names its digest."""
    images = made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    of = plan()
    assert ["DP-0001", "DP-0002", "DP-0003"] == sorted(images)
    with Records(str(tmp_path / "r.db")) as records:
        for number, unit in enumerate(records.units()):
            values = {
                "identity": {"serial": tuple(unit.serial.encode().ljust(10, b"\0"))},
                "trim": {"flow": (1 + number / 128,)},
                "settings": {"label": tuple(f"no {number}".encode().ljust(8, b"\0"))},
            }
            assert pack(of, values) == images[unit.serial]
            (image,) = unit.images
            assert hashlib.sha256(images[unit.serial]).hexdigest() == image.sha256
            assert ("lot1", "2026-03-01T08:00:00Z") == (image.batch, image.packed)
        kept = batch_plan(records, records.batches()[0])
    assert of.layout_id == kept.layout_id
    assert pack(of, {}, defaults=True) == pack(kept, {}, defaults=True)


def test_without_numpy_a_run_makes_the_same(table: Path, tmp_path: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    """numpy makes it fast; it is not needed."""
    fast = made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    monkeypatch.setattr(packer, "find_spec", lambda name: None)
    assert fast == made(job_of(table), tmp_path / "s.db", tmp_path / "slow")


def test_a_repeated_run_changes_nothing(table: Path, tmp_path: Path) -> None:
    """The same numbers, the same images, the first times; what is missing is made again."""
    first = made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    (tmp_path / "out" / "DP-0002.bin").unlink()
    job = job_of(table, now=lambda: "2027-01-01T00:00:00Z")
    assert first == made(job, tmp_path / "r.db", tmp_path / "out")
    with Records(str(tmp_path / "r.db")) as records:
        assert {"2026-03-01T08:00:00Z"} == {
            t for u in records.units() for t in (u.allotted, u.images[0].packed)}


def test_rows_that_were_added_go_on_counting(table: Path, tmp_path: Path) -> None:
    """A longer table makes the new units only; another batch begins behind them."""
    first = made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    table.write_text(rows(5))
    second = made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    assert first.items() <= second.items()
    assert {"DP-0004", "DP-0005"} == second.keys() - first.keys()
    third = made(job_of(table, name="lot2"), tmp_path / "r.db", tmp_path / "other")
    assert [f"DP-{n:04}" for n in range(6, 11)] == sorted(third)


def test_a_made_unit_keeps_its_values(table: Path, tmp_path: Path) -> None:
    """A row edited after its image was made is refused (PS954); one that was not made is free."""
    job = job_of(table)
    made(job, tmp_path / "r.db", tmp_path / "out")
    table.write_text(rows(3).replace("no 1", "no X"))
    assert ["PS954"] == codes(job_of(table), tmp_path / "r.db")
    assert [] == codes(job_of(table, name="lot2"), tmp_path / "r.db")


def test_what_differs_is_told_and_a_way_that_keeps_the_number(table: Path, tmp_path: Path) -> None:
    """With a pattern another batch would give new numbers: the way leads over the numbers."""
    made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    table.write_text(rows(3).replace("no 1", "no X"))
    with Records(str(tmp_path / "r.db")) as records:
        (finding,) = job_of(table).check(records).findings
        with pytest.raises(FindingsError) as raised:
            job_of(table, values={"trim": {"zero": (5,)}}).check(records)
    assert ("batch `lot1`", 'settings.label: "no 1" on record, "no X" here') == finding.notes
    for found in (finding, *raised.value.findings):
        assert "`units --csv`" in found.help and "--again" in found.help
        assert "--new-serials would give new numbers" in found.help
    table.write_text(f"{HEAD}\nA1,2\n")
    made(job_of(table, pattern=None, name="own"), tmp_path / "r.db", tmp_path / "own")
    table.write_text(f"{HEAD},settings.quiet\nA1,3,true\n")
    with Records(str(tmp_path / "r.db")) as records:
        (finding,) = job_of(table, pattern=None, name="own").check(records).findings
    assert ("batch `own`", "trim.flow: 2 on record, 3 here",
            "settings.quiet: not on record, true here") == finding.notes
    assert finding.help.endswith("give another name with --batch, and say --again")


def test_a_batch_keeps_its_constants(table: Path, tmp_path: Path) -> None:
    """Other constants under the same name are refused (PS958)."""
    made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    other = job_of(table, values={"trim": {"zero": (5,)}})
    with Records(str(tmp_path / "r.db")) as records, pytest.raises(FindingsError) as error:
        other.check(records)
    (finding,) = error.value.findings
    assert ("PS958", ("trim.zero was not given then, and is now",)) == (
        finding.code, finding.notes[1:])


def test_a_pattern_must_have_room(table: Path, tmp_path: Path) -> None:
    """For all new units, with and without records (PS955)."""
    assert [] == codes(job_of(table, pattern="DP-#", first=7), tmp_path / "r.db")
    assert ["PS955"] == codes(job_of(table, pattern="DP-#", first=8), tmp_path / "r.db")
    with pytest.raises(FindingsError, match="PS955"):
        job_of(table, pattern="DP-#", first=8).check(None)


def test_numbers_come_from_one_place(table: Path, tmp_path: Path) -> None:
    """From the table or from a pattern, not from both or neither (PS938)."""
    assert ["PS938"] == codes(job_of(table, pattern=None), tmp_path / "r.db")
    assert ["PS938"] == codes(job_of(table, calibrations=tmp_path), tmp_path / "r.db")
    table.write_text(f"{HEAD}\nA1,2\n")
    assert ["PS938"] == codes(job_of(table), tmp_path / "r.db")


def test_a_number_of_another_batch_is_refused(table: Path, tmp_path: Path) -> None:
    """But for `again`: then the same unit gets one more image, and its number stays one (PS953)."""
    table.write_text(f"{HEAD}\nA1,2\nA2,2\n")
    made(job_of(table, pattern=None), tmp_path / "r.db", tmp_path / "out")
    table.write_text(f"{HEAD}\nA1,3\nA3,2\n")
    repair = job_of(table, pattern=None, name="repair")
    assert ["PS953"] == codes(repair, tmp_path / "r.db")
    made(job_of(table, pattern=None, name="repair", again=True), tmp_path / "r.db", tmp_path / "b")
    with Records(str(tmp_path / "r.db")) as records:
        assert {"A1": ["lot1", "repair"], "A2": ["lot1"], "A3": ["repair"]} == {
            u.serial: [i.batch for i in u.images] for u in records.units()}


def test_a_value_that_a_unit_had_and_loses_is_told(table: Path, tmp_path: Path) -> None:
    """A new image of a unit that is silent about a value of its own would bring the common one back
    (PS959): told once, while it is new, and only where the image becomes another."""
    table.write_text(f"{HEAD},trim.zero [uV],settings.label,settings.quiet\n"
                     "A1,2.5,12.5,pump,true\nA2,2.5,0,mine,false\n")
    made(job_of(table, pattern=None), tmp_path / "r.db", tmp_path / "out")
    table.write_text(f"{HEAD},settings.quiet\nA1,3,false\nA2,3,false\nA3,3,true\n")
    job = job_of(table, pattern=None, name="repair", again=True)
    with Records(str(tmp_path / "r.db")) as records:
        checked = job.check(records)
    assert 0 == checked.bad
    assert [("PS959", Severity.WARNING)] * 2 == [(f.code, f.severity) for f in checked.findings]
    assert ["unit A1 loses values of its own", "unit A2 loses values of its own"] == [
        f.message for f in checked.findings]
    assert [("trim.zero: 12.5 in batch `lot1`, 0 now",),
            ('settings.label: "mine" in batch `lot1`, "pump" now',)] == [
        f.notes for f in checked.findings]
    made(job, tmp_path / "r.db", tmp_path / "b")
    with Records(str(tmp_path / "r.db")) as records:
        assert () == job.check(records).findings


def test_calibrations_are_joined_by_serial_number(table: Path, tmp_path: Path) -> None:
    """Each unit gets the values of its own file, over constants; the record has them too."""
    folder = tmp_path / "cal"
    folder.mkdir()
    for serial, zero in {"A1": 12.5, "A2": -3}.items():
        (folder / f"{serial}.toml").write_text(
            f'[identity]\nserial = "{serial}"\n[trim]\nzero = {zero}\n')
    table.write_text(f"{HEAD}\nA1,2\nA2,2\n")
    images = made(job_of(table, pattern=None, calibrations=folder), tmp_path / "r.db",
                  tmp_path / "out")
    of = plan()
    zero = of.schema.group("trim").parameter("zero").fields[0]
    assert ["12.5", "-3"] == [
        str(from_raw(zero, unpack(of, images[s]).group("trim").values["zero"]))
        .removesuffix(".0") for s in ("A1", "A2")]
    with Records(str(tmp_path / "r.db")) as records:
        unit = records.unit("A1")
        assert unit and "zero = 12.5" in unit.images[0].given


def test_calibrations_that_do_not_fit_are_told(table: Path, tmp_path: Path) -> None:
    """Missing (PS956), at odds with the table (PS957), with a mistake of its own (PS506)."""
    folder = tmp_path / "cal"
    folder.mkdir()
    (folder / "A2.toml").write_text("[trim]\nflow = 3\n")
    (folder / "A3.toml").write_text("[trim]\nzero = 900\n")
    (folder / "A4.toml").write_text('[identity]\nserial = "A9"\n')
    table.write_text(f"{HEAD}\nA1,2\nA2,2\nA3,2\nA4,2\n")
    job = job_of(table, pattern=None, calibrations=folder)
    assert ["PS506", "PS956", "PS957", "PS957"] == sorted(codes(job, tmp_path / "r.db"))


def test_bad_rows_are_left_out_when_that_is_wanted(table: Path, tmp_path: Path) -> None:
    """A run makes the good rows; a mended row gets its own number later."""
    table.write_text(rows(3).replace("no 1", "far too long"))
    with Records(str(tmp_path / "r.db"), create=True) as records:
        with open_output(str(tmp_path / "out")) as out:
            job_of(table).run(records, out)
        assert [1, 3] == [u.image.row for u in records.units()]
    table.write_text(rows(3))
    made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    with Records(str(tmp_path / "r.db")) as records:
        assert {"DP-0001": 1, "DP-0002": 3, "DP-0003": 2} == {
            u.serial: u.image.row for u in records.units()}


def test_a_row_with_broken_quotes_is_a_row(table: Path, tmp_path: Path) -> None:
    """It counts, so that those behind it keep their numbers when it is mended."""
    table.write_text(rows(3).replace("no 1", '"no 1'))
    with Records(str(tmp_path / "r.db"), create=True) as records:
        checked = job_of(table).check(records)
        assert (3, 1, ["PS932"]) == (checked.rows, checked.bad, [f.code for f in checked.findings])
        with open_output(str(tmp_path / "out")) as out:
            job_of(table).run(records, out)
    table.write_text(rows(3))
    made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    with Records(str(tmp_path / "r.db")) as records:
        assert {"DP-0001": 1, "DP-0002": 3, "DP-0003": 2} == {
            u.serial: u.image.row for u in records.units()}


def test_rows_at_odds_with_the_records_are_left_out_too(table: Path, tmp_path: Path) -> None:
    """A run never makes a second unit of a number, whatever it was asked."""
    first = made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    table.write_text(rows(3).replace("no 1", "no X"))
    with (Records(str(tmp_path / "r.db")) as records,
          open_output(str(tmp_path / "again")) as out):
        result = job_of(table).run(records, out)
    assert (2, 0) == (result.units, result.new)
    assert first["DP-0003"] == (tmp_path / "again" / "DP-0003.bin").read_bytes()
    assert not (tmp_path / "again" / "DP-0002.bin").exists()


def test_a_table_that_changes_under_way_stops_the_run(table: Path, tmp_path: Path) -> None:
    """What was checked is what is made."""
    job = job_of(table)
    with Records(str(tmp_path / "r.db"), create=True) as records:
        job.check(records)
        job.now = lambda: (table.write_text(rows(4)), "now")[1]
        with pytest.raises(ToolError, match="changed while"), open_output(
                str(tmp_path / "out")) as out:
            job.run(records, out)


def test_a_pattern_must_have_a_number_for_each_unit(table: Path, tmp_path: Path) -> None:
    """Counted from the first one on, with records and without; none is left beyond the last."""
    table.write_text(rows(9))
    job_of(table, pattern="D-#").check(None)
    for first, left, have in ((2, 8, "8 numbers"), (9, 1, "1 number"), (11, 0, "0 numbers")):
        job = job_of(table, pattern="D-#", first=first)
        with Records(str(tmp_path / "r.db"), create=True) as records:
            for known in (None, records):
                with pytest.raises(FindingsError) as caught:
                    job.check(known)
                assert f"`D-#` has {have} left for 9 new units" == caught.value.findings[0].message
        if left:
            table.write_text(rows(left))
            job.check(None)
        table.write_text(rows(9))


@pytest.mark.parametrize(("error", "message"), [
    (SerialTaken("DP-0001", "lot9"),
     "another run took the serial number `DP-0001` for batch `lot9`"),
    (SerialsExhausted(), "another run took the last numbers of `DP-####`")])
def test_another_run_may_come_first(error: Exception, message: str, table: Path, tmp_path: Path,
                                    monkeypatch: pytest.MonkeyPatch) -> None:
    """Between a look at the records and the allotment: nothing is made, and a repeat goes on."""
    def taken(*_: object) -> None:
        raise error

    with monkeypatch.context() as patch:
        patch.setattr(Records, "allot", taken)
        with pytest.raises(ToolError) as caught:
            made(job_of(table), tmp_path / "r.db", tmp_path / "out")
    assert message == str(caught.value)
    assert "repeat" in caught.value.help
    assert 3 == len(made(job_of(table), tmp_path / "r.db", tmp_path / "out"))


def test_a_run_counts_what_it_made(table: Path, tmp_path: Path) -> None:
    """Units, those with a new number, and files that were there; block by block."""
    counts = []
    for count in (1001, 1003):
        table.write_text(rows(count))
        job, told = job_of(table), []
        with Records(str(tmp_path / "r.db"), create=True) as records:
            assert count == job.check(records, told.append).rows
            with open_output(str(tmp_path / "out")) as output:
                result = job.run(records, output, told.append)
        counts.append((result.units, result.new, result.files_kept))
        assert [1000, count - 1000] * 2 == told
    assert [(1001, 1001, 0), (1003, 2, 1001)] == counts
