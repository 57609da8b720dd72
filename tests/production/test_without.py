"""Units that are not calibrated: no record, and every report of production says so."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from paramstore.image.contents import unpack
from paramstore.production import table as table_module
from paramstore.production.export import Exporter, UnitValues, label_text, units_csv
from paramstore.production.packer import PlainPacker
from paramstore.production.records import Records
from paramstore.report.batch import batch_data, checked_text
from paramstore.report.units import record_html, units_data
from tests.production.jobs import job_of, made, plan

SOME = """\
trim.flow [ml/turn],trim.zero [uV],settings.label
2.5,-12.5,one
,,two
0.75,0,three
,,four
"""
CALIBRATED = {"DP-0001": True, "DP-0002": False, "DP-0003": True, "DP-0004": False}


def on_record(path: Path) -> dict[str, UnitValues]:
    with Records(str(path)) as kept:
        exporter = Exporter(kept)
        return {u.serial: exporter.values(u) for u in kept.units()}


def has_record(image: bytes) -> bool:
    return unpack(plan(), image).group("trim").newest is not None


@pytest.fixture(params=["many at once", "one by one"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both ways to read tables and to pack images."""
    if request.param == "one by one":
        for where in ("paramstore.production.packer.has_numpy",
                      "paramstore.production.table.has_numpy"):
            monkeypatch.setattr(where, lambda: False)
        assert not table_module.has_numpy()


def some(tmp_path: Path, **more: bool) -> dict[str, bytes]:
    (tmp_path / "lot1.csv").write_text(SOME)
    return made(job_of(tmp_path / "lot1.csv", **more), tmp_path / "r.db", tmp_path / "out")


@pytest.mark.usefixtures("way")
def test_rows_may_leave_a_group_empty(tmp_path: Path) -> None:
    """All cells of it: those units have no record of it, and all others are as they were."""
    images = some(tmp_path)
    assert CALIBRATED == {serial: has_record(image) for serial, image in images.items()}
    label = unpack(plan(), images["DP-0002"]).group("settings").values["label"]
    assert b"two" == bytes(map(int, label)).rstrip(b"\0")
    units = on_record(tmp_path / "r.db")
    assert CALIBRATED == {serial: item.without == () for serial, item in units.items()}
    assert {"DP-0001": 2.5, "DP-0003": 0.75} == {
        serial: float(item.values["trim"]["flow"])
        for serial, item in units.items() if "trim" in item.values}


@pytest.mark.usefixtures("way")
def test_defaults_are_written_on_purpose(tmp_path: Path) -> None:
    """Then every unit has a record, and those without values the defaults."""
    images = some(tmp_path, defaults=True)
    assert {True} == set(map(has_record, images.values()))
    flows = [unpack(plan(), images[s]).group("trim").values["flow"] for s in sorted(images)]
    assert [(2.5,), (2.0,), (0.75,), (2.0,)] == flows
    assert {()} == {item.without for item in on_record(tmp_path / "r.db").values()}


@pytest.mark.usefixtures("way")
def test_a_group_that_is_filled_in_half_is_a_mistake(tmp_path: Path) -> None:
    """Nobody knows what is meant."""
    (tmp_path / "lot1.csv").write_text(SOME + "1.5,,five\n")
    checked = job_of(tmp_path / "lot1.csv").check(None)
    assert ["`zero` has no value in this row"] == [f.message for f in checked.findings]


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize(("cells", "flow", "zero"), [
    ("-,7", 2.0, 70), ("4.5,-", 4.5, 0), ("-,-", None, None), (",-", None, None)])
def test_a_hyphen_gives_nothing(
    tmp_path: Path, cells: str, flow: float | None, zero: int | None
) -> None:
    """Of one value or of a group; the rows beside it are as they were. What is not given is told by
    the records, and never looks given."""
    (tmp_path / "lot1.csv").write_text(
        f"trim.flow [ml/turn],trim.zero [uV]\n1,1\n{cells}\n2,2\n")
    images = made(job_of(tmp_path / "lot1.csv"), tmp_path / "r.db", tmp_path / "out")
    held = [unpack(plan(), images[s]).group("trim") for s in sorted(images)]
    assert [True, flow is not None, True] == [g.newest is not None for g in held]
    assert [(1.0, 10), (flow or 2.0, zero or 0), (2.0, 20)] == [
        (g.values["flow"][0], g.values["zero"][0]) for g in held]
    unit = on_record(tmp_path / "r.db")["DP-0002"]
    given = {n for n, cell in zip(("flow", "zero"), cells.split(","), strict=True) if cell > "-"}
    assert {"serial", *given} == {name for _, name in unit.own}
    left = {name for group, name in unit.left_out if group == "trim"}
    assert given == unit.values.get("trim", {}).keys() - left


@pytest.mark.usefixtures("way")
def test_a_hyphen_leaves_what_all_units_are_given(tmp_path: Path) -> None:
    """As a table without the column does."""
    (tmp_path / "lot1.csv").write_text("trim.low,settings.label\n-,-\n12,b\n")
    images = made(job_of(tmp_path / "lot1.csv", values={"trim": {"low": (11,)}}),
                  tmp_path / "r.db", tmp_path / "out")
    held = [unpack(plan(), images[s]) for s in sorted(images)]
    assert [(11, b"pump"), (12, b"b")] == [
        (h.group("trim").values["low"][0],
         bytes(map(int, h.group("settings").values["label"])).rstrip(b"\0")) for h in held]


@pytest.mark.usefixtures("way")
def test_a_text_that_is_a_hyphen_has_a_quote_before_it(tmp_path: Path) -> None:
    """And comes back as one."""
    (tmp_path / "lot1.csv").write_text("settings.label\n'-\n")
    made(job_of(tmp_path / "lot1.csv"), tmp_path / "r.db", tmp_path / "out")
    (unit,) = on_record(tmp_path / "r.db").values()
    assert "-" == unit.values["settings"]["label"]
    assert ["'-"] == [row["settings.label"] for row in csv.DictReader(io.StringIO(
        "".join(units_csv([unit]))))]


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize(("head", "cells"), [
    ("trim.steps", "1; -; 3"), ("trim.steps[0],trim.steps[1],trim.steps[2]", "1,-,3")])
def test_an_array_is_given_whole_or_not(tmp_path: Path, head: str, cells: str) -> None:
    """A hole in it is a mistake."""
    (tmp_path / "lot1.csv").write_text(f"{head}\n{cells}\n")
    (finding,) = job_of(tmp_path / "lot1.csv").check(None).findings
    assert ("PS941", "`steps` is given in part") == (finding.code, finding.message)
    (tmp_path / "lot1.csv").write_text(f"{head}\n{','.join('-' * (cells.count(',') + 1))}\n")
    assert {"trim": 1} == dict(job_of(tmp_path / "lot1.csv").check(None).without)


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("values", [None, {"trim": {"low": (11,)}}], ids=["own", "common"])
@pytest.mark.parametrize("table", [
    "settings.label\na\n", "trim.flow [ml/turn]\n2.5\n3\n", "trim.zero [uV]\n-\n3\n",
    "trim.flow [ml/turn],trim.steps\n-,1; 2; 3\n4,-\n-,-\n", "identity.board\n-\n2\n"])
def test_a_table_of_all_values_gives_what_was_given(
    tmp_path: Path, table: str, values: dict[str, dict[str, tuple[int, ...]]] | None
) -> None:
    """Made into images again, it leaves each as it was, and nothing that was not given looks given:
    neither for the unit nor at all."""
    def told() -> dict[str, object]:
        return {s: (u.own, u.left_out, u.without, u.values)
                for s, u in on_record(tmp_path / "r.db").items()}

    (tmp_path / "lot1.csv").write_text(table)
    images = made(job_of(tmp_path / "lot1.csv", values=values), tmp_path / "r.db", tmp_path / "out")
    before = told()
    (tmp_path / "all.csv").write_text("".join(units_csv(on_record(tmp_path / "r.db").values())))
    again = job_of(tmp_path / "all.csv", pattern=None, name="again", again=True)
    assert images == made(again, tmp_path / "r.db", tmp_path / "b")
    assert before == told()


def test_an_empty_group_is_a_mistake_where_the_values_of_all_units_have_it(tmp_path: Path) -> None:
    """The unit would be calibrated by what was meant for all."""
    (tmp_path / "lot1.csv").write_text(SOME)
    checked = job_of(tmp_path / "lot1.csv", values={"trim": {"low": (11,)}}).check(None)
    assert 4 == len([f for f in checked.findings if f.code == "PS941"])


def test_it_is_told(tmp_path: Path) -> None:
    """By the batch, in words and as data."""
    (tmp_path / "lot1.csv").write_text(SOME)
    for defaults, became in ((False, "left without a record, the firmware serves defaults and says "
                              "so"), (True, "its defaults are written as a record")):
        job = job_of(tmp_path / "lot1.csv", defaults=defaults)
        checked = job.check(None)
        assert f"trim: no values given for 2 of 4 units; {became}\n" in checked_text(job, checked)
        data = batch_data(job, checked, None)
        assert {"trim": 2} == data["defaults_written" if defaults else "without_record"]
        assert {} == data["without_record" if defaults else "defaults_written"]


def test_the_records_tell_it(tmp_path: Path) -> None:
    """The list as data, the calibration record, labels; and a table of them comes back."""
    images = some(tmp_path)
    units = on_record(tmp_path / "r.db")
    data = {d["serial"]: d for d in units_data(list(units.values()))}
    assert (["trim"], False) == (data["DP-0002"]["without_record"], "trim" in data["DP-0002"][
        "values"])
    told = "the image has no record of this group; the firmware serves defaults and says so"
    assert CALIBRATED == {serial: told not in record_html(item) for serial, item in units.items()}
    assert "no value" == label_text(units["DP-0002"], "{trim.flow}")
    assert "2.5 ml/turn, no value" == label_text(units["DP-0001"], "{trim.flow}, {trim.low}")
    text = "".join(units_csv(units.values()))
    assert ["2.5", "-", "0.75", "-"] == [
        row["trim.flow [ml/turn]"] for row in csv.DictReader(io.StringIO(text))]
    (tmp_path / "all.csv").write_text(text)
    again = made(job_of(tmp_path / "all.csv", pattern=None), tmp_path / "x.db", tmp_path / "b")
    assert images == again


def test_a_new_image_without_values_of_its_own_is_a_warning(tmp_path: Path) -> None:
    """A calibrated unit that a table is silent about would lose its calibration."""
    some(tmp_path)
    (tmp_path / "lot2.csv").write_text("identity.serial,settings.label\nDP-0001,new\n")
    job = job_of(tmp_path / "lot2.csv", pattern=None, name="lot2", again=True)
    with Records(str(tmp_path / "r.db")) as kept:
        (finding,) = job.check(kept).findings
    assert ("PS959", "trim.flow: 2.5 in batch `lot1`, no record now") == (
        finding.code, finding.notes[0])


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("how", ["table", "values", "both"])
def test_a_calibration_in_part_is_told(tmp_path: Path, how: str) -> None:
    """By the batch, in words and as data, and by the records: defaults are no measurements."""
    head, cell = ("identity.board,trim.flow [ml/turn]", "1,2.5") if how != "values" else (
        "identity.board", "1")
    (tmp_path / "lot1.csv").write_text(f"{head}\n{cell}\n{cell}\n")
    values = {"trim": {"flow": (2.5,)} if how == "values" else {"zero": (3,)}} if (
        how != "table") else None
    job = job_of(tmp_path / "lot1.csv", values=values)
    checked = job.check(None)
    missing = [n for n in ("zero", "steps", "low", "high", "lift") if how != "both" or n != "zero"]
    assert (f"trim: {', '.join(missing)}: no values given; the record holds their defaults\n"
            in checked_text(job, checked))
    assert [(n, 2) for n in missing] == [
        (d["parameter"], d["units"])
        for d in batch_data(job, checked, None)["defaults_among_values"] if d["group"] == "trim"]
    made(job, tmp_path / "r.db", tmp_path / "out")
    units = on_record(tmp_path / "r.db")
    (first, _) = units_data(list(units.values()))
    assert missing == first["defaults_among_values"]["trim"]
    assert first["values"]["trim"]["high"] == 90
    page = record_html(units["DP-0001"])
    shown = {n: page.split(f"<td>{n}</td>")[1].split("</tr>")[0] for n in ("flow", "zero", "lift")}
    assert {n: n in missing for n in shown} == {
        n: "<td>not given</td>" in row and "not known; the default " in row
        for n, row in shown.items()}


def test_a_unit_in_part_among_whole_ones(tmp_path: Path) -> None:
    """Of calibrations in files of their own: how many units lack what."""
    folder = tmp_path / "cal"
    folder.mkdir()
    (tmp_path / "lot1.csv").write_text("identity.serial\nA1\nA2\n")
    whole = "flow = 2.5\nzero = 1\nsteps = [1, 2, 3]\nlow = 1\nhigh = 2\nlift = [[0, 0], [1, 1]]\n"
    (folder / "A1.toml").write_text(f"[trim]\n{whole}")
    (folder / "A2.toml").write_text("[trim]\nflow = 2.5\n")
    job = job_of(tmp_path / "lot1.csv", pattern=None, calibrations=folder)
    assert ("trim: zero, steps, low, high, lift: no values given for 1 of 2 units; the record "
            "holds their defaults\n") in checked_text(job, job.check(None))


def test_a_batch_goes_on_with_the_same_choice(tmp_path: Path) -> None:
    """Records of defaults for half of the units of a batch would be nobody's decision."""
    some(tmp_path)
    with Records(str(tmp_path / "r.db")) as kept, pytest.raises(Exception, match="PS958"):
        job_of(tmp_path / "lot1.csv", defaults=True).check(kept)


def test_packers_leave_the_constants_alone() -> None:
    """The values of one batch are not those of the next."""
    constants = {g.name: {f.name: f.default for f in g.fields} for g in plan().schema.groups}
    before = {g: dict(fields) for g, fields in constants.items()}
    PlainPacker(plan(), constants, ("trim",)).pack([{"trim": {"low": (3,)}}], {})
    assert before == constants
