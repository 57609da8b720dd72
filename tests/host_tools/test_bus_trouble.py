"""Parts on a bus when something goes wrong: kills, failures, erasing, and what the records say."""

from __future__ import annotations

import json
import re
import shlex
from functools import partial
from pathlib import Path

import pytest

from paramstore.core.errors import SourceText, ToolError
from paramstore.production.records import Records, UnitRecord
from paramstore.releases.project import open_project
from paramstore.verify.eeprom.faults import CutAtWrite, DeadPage, Tear, Torn
from tests.bus.kills import SCHEMA as SMALL
from tests.host_tools.copies import copied_schema
from tests.host_tools.part_bench import SCHEMA, SCHEMAS, lay_out, run, write


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with the image of the shipped values."""
    monkeypatch.chdir(tmp_path)
    return lay_out(tmp_path)


def units(serial: str) -> UnitRecord:
    with Records("tank_probe.units.db") as kept:
        unit = kept.unit(serial)
    assert unit is not None
    return unit


def page_of(serial: str) -> str:
    assert 0 == run("units", "--records", "tank_probe.units.db", serial, "--unit-record",
                    "r.html").exit_code
    return Path("r.html").read_text("utf-8")


@pytest.fixture
def lot(bench: Path) -> tuple[str, ...]:
    """Images of five units; the options that lead to a part and to the records."""
    schema = copied_schema(bench)
    table = SCHEMAS / "tank_probe.units.csv"
    assert 0 == run("batch", schema, table, "--new-serials", "TP-26-####", "-o", "images").exit_code
    return "--part-file", "part.bin", "--records", "tank_probe.units.db"


IMAGE = "images/TP-26-0003.bin"
FREE = 0x0900
"""An address on a page that nothing has."""


def test_a_kill_leaves_records_that_claim_nothing(lot: tuple[str, ...],
                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    """An earlier good comparison says nothing any more once a write began; the repeat ends it."""
    run("write", SCHEMA, IMAGE, "--yes", *lot)
    run("verify", SCHEMA, IMAGE, *lot)
    assert re.search(r"TP-26-0003 .* good \S+ +good \S+\n", run(
        "units", "--records", lot[3]).stdout)

    def die(*_: object) -> None:
        raise SystemExit(9)  # nothing more of the program runs

    change = ("write", SCHEMA, "--set", "electrode.ph_slope=-55", "--unlock", "--yes", *lot)
    with monkeypatch.context() as patch:
        patch.setattr("paramstore.bus.programmer.Programmer.write_page", die)
        assert 9 == run(*change).exit_code
    assert units("TP-26-0003").last_reading is None
    assert re.search(r"TP-26-0003 .* not ended \S+\n", run(
        "units", "--records", lot[3]).stdout)
    assert "A write to the unit began, and its end is not on record" in page_of("TP-26-0003")
    assert 0 == run(*change).exit_code
    assert "(the part holds -55.00 mV/pH)" in page_of("TP-26-0003")
    kept = run("write", SCHEMA, IMAGE, "--yes", *lot)
    assert 0 == kept.exit_code
    assert "(the part holds -55.00 mV/pH)" in page_of("TP-26-0003")
    listed = run("units", "--records", lot[3], "TP-26-0003", "--json")
    data = json.loads(listed.stdout)["units"][0]
    assert {"record": True, "copies": 2, "wanted": 2, "as_image": False} == data["held"][
        "electrode"]
    assert data["held"]["identity"]["as_image"]


def test_a_failure_in_the_last_look_is_mended_by_a_repeat(lot: tuple[str, ...],
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    """The repeat has nothing to write, and notes that all is there."""
    def fail(*_: object) -> None:
        raise ToolError("the bus failed")

    with monkeypatch.context() as patch:
        patch.setattr("paramstore.bus.work.reread", fail)
        patch.setattr("paramstore.bus.look.reread", fail)
        assert 2 == run("write", SCHEMA, IMAGE, "--yes", *lot).exit_code
    assert [("begin", False), ("write", False)] == [
        (e.what, e.good) for e in units("TP-26-0003").events]
    assert "what the unit holds is not known" in page_of("TP-26-0003")
    repeat = run("write", SCHEMA, IMAGE, "--yes", *lot)
    assert (0, True) == (repeat.exit_code, "nothing to write" in repeat.stdout)
    assert ("write", True) == (units("TP-26-0003").events[-1].what,
                               units("TP-26-0003").events[-1].good)
    assert "what the unit holds is not known" not in page_of("TP-26-0003")


def test_a_failed_write_notes_what_the_part_holds(lot: tuple[str, ...],
                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    """Group by group, as it is read after the failure."""
    from paramstore.bus.part_file import PartFile

    run("write", SCHEMA, IMAGE, "--yes", *lot)
    plan = open_project(SourceText(str(SCHEMA), SCHEMA.read_text("utf-8"))).plan
    ring = plan.ring("settings")
    dead = [DeadPage(ring.first_page + slot * ring.slot_pages) for slot in range(1, ring.slots)]
    with monkeypatch.context() as patch:
        patch.setattr("paramstore.bus.part_file.PartFile", partial(PartFile, faults=dead))
        failed = run("write", SCHEMA, "--set", "electrode.ph_zero=1", "--set",
                     "settings.interval=50", "--unlock", "--yes", *lot)
    assert (1, True) == (failed.exit_code, "of group `settings` do not take" in failed.output)
    event = units("TP-26-0003").events[-1]
    assert ("change", False) == (event.what, event.good)
    assert "(the part holds 1.0 mV)" in page_of("TP-26-0003")


def test_a_part_is_erased_and_becomes_another_unit(lot: tuple[str, ...]) -> None:
    """It says what would be lost, asks for the key, keeps a copy, and the record says what became
    of the unit; the copy brings all of it back."""
    run("write", SCHEMA, IMAGE, "--yes", *lot)
    before = Path("part.bin").read_bytes()
    shown = run("erase", SCHEMA, *lot)
    assert (0, True, True) == (
        shown.exit_code, "  factory: record 2, would be lost\n" in shown.stdout,
        "13 pages of 128 would be erased; --yes --unlock (the part has identity, "
        "factory) keeps a copy and does it\n" in shown.stdout)
    refused = run("erase", SCHEMA, "--yes", *lot)
    assert (1, True) == (refused.exit_code, "error PS964: the part has `identity`" in
                         refused.output)
    assert before == Path("part.bin").read_bytes()
    done = run("erase", SCHEMA, "--yes", "--unlock", "--backup", "kept.hex", *lot)
    assert (0, True) == (done.exit_code, "13 pages of 128 erased and read back\n" in done.stdout)
    assert b"\xff" * 4096 == Path("part.bin").read_bytes()
    assert "The unit is no more what this sheet says" in page_of("TP-26-0003")
    assert 0 == run("write", SCHEMA, "kept.hex", "--exact", "--yes", *lot).exit_code
    assert before == Path("part.bin").read_bytes()
    assert 0 == run("write", SCHEMA, "images/TP-26-0004.bin", "--unlock", "--yes", *lot).exit_code
    assert "its part became unit TP-26-0004" in page_of("TP-26-0003")
    assert "good: equal" in page_of("TP-26-0004")


def test_a_fresh_part_with_a_stray_byte_can_be_used(bench: Path) -> None:
    """On a free page it does not matter; in a ring the part is refused, with the way to erase it,
    and nothing speaks of a dump."""
    image = bytearray(b"\xff" * 4096)
    image[FREE] = 0x12
    Path("part.bin").write_bytes(image)
    assert 0 == write("unit.bin", "--yes").exit_code
    assert 0x12 == Path("part.bin").read_bytes()[FREE]
    plan = open_project(SourceText(str(SCHEMA), SCHEMA.read_text("utf-8"))).plan
    image = bytearray(b"\xff" * 4096)
    image[plan.ring("settings").address(1) + 3] = 0x12
    Path("part.bin").write_bytes(image)
    refused = write("unit.bin", "--yes")
    assert (1, True, False) == (refused.exit_code, "erase it: `paramstore erase`" in refused.output,
                                "dump" in refused.output)
    shown = run("erase", SCHEMA, "--part-file", "part.bin")
    assert re.search(r"  bytes that belong to no store would be lost\n32 bytes, about 0\.\d\d s at "
                     r"400 kHz; the old content goes to tank_probe\.before-000\d\.hex\n"
                     r"1 page of 128 would be erased", shown.stdout)
    assert 0 == run("erase", SCHEMA, "--part-file", "part.bin", "--yes").exit_code
    assert "is blank already" in run("erase", SCHEMA, "--part-file", "part.bin").stdout
    assert 0 == write("unit.bin", "--yes").exit_code


def test_what_is_said_of_a_part_speaks_of_no_dump(bench: Path) -> None:
    """Whatever is wrong with it."""
    for image in (bytes(range(256)) * 16, b"\xff" * 4096):
        Path("part.bin").write_bytes(image)
        for command in (("read", SCHEMA), ("write", SCHEMA, "unit.bin"),
                        ("verify", SCHEMA, "unit.bin")):
            said = run(*command, "--part-file", "part.bin")
            assert "dump" not in said.output, command


def test_an_erasing_that_did_not_end_is_told(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By `write`, and by firmware, which refuses the part; the repeat ends it, or a copy goes on
    top."""
    from paramstore.bus.part_file import PartFile

    write("unit.bin", "--yes")
    with monkeypatch.context() as patch:
        patch.setattr("paramstore.bus.part_file.PartFile",
                      partial(PartFile, faults=[CutAtWrite(5, Tear(Torn.MIX, 0, 1))]))
        cut = run("erase", SCHEMA, "--part-file", "part.bin", "--yes", "--unlock")
    assert (2, True) == (cut.exit_code, "the part lost its power" in cut.output)
    half = Path("part.bin").read_bytes()
    told = write("unit.bin", "--yes")
    assert (1, True) == (told.exit_code, "PS971: the part was being erased" in told.output)
    assert "an erasing that did not end" in run("erase", SCHEMA, "--part-file", "part.bin").stdout
    assert 0 == write("unit.bin", "--exact", "--yes").exit_code
    assert Path("unit.bin").read_bytes() == Path("part.bin").read_bytes()
    Path("part.bin").write_bytes(half)
    assert 0 == run("erase", SCHEMA, "--part-file", "part.bin", "--yes").exit_code
    assert b"\xff" * 4096 == Path("part.bin").read_bytes()


def test_a_repeat_may_name_the_same_backup(bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is from before the first try, and stays."""
    from paramstore.bus.part_file import PartFile

    write("unit.bin", "--yes")
    before = Path("part.bin").read_bytes()
    again = ("--set", "settings.interval=45", "--yes", "--backup", "old.bin")
    for number in (1, 2):
        with monkeypatch.context() as patch:
            patch.setattr("paramstore.bus.part_file.PartFile",
                          partial(PartFile, faults=[CutAtWrite(2, Tear(Torn.MIX, 0, number))]))
            cut = write(*again)
        assert (2, True) == (cut.exit_code, f"go back: paramstore write {SCHEMA} old.bin --exact "
                             "--part-file part.bin --yes\n" in cut.output)
        assert before == Path("old.bin").read_bytes()
    done = write(*again)
    assert (0, True) == (done.exit_code,
                         "old.bin: what the part held before the write that did" in done.output)
    refused = write("--set", "settings.interval=46", "--yes", "--backup", "old.bin")
    assert (2, True) == (refused.exit_code, "a backup is never written over" in refused.output)


def test_all_of_a_part_is_read_on_request(bench: Path) -> None:
    """Free pages are not part of what a store holds."""
    write("unit.bin", "--yes")
    image = bytearray(Path("part.bin").read_bytes())
    image[FREE] = 0x12
    Path("part.bin").write_bytes(image)
    assert "0x0900" not in run("read", SCHEMA, "--part-file", "part.bin").output
    assert "0x0900" in run("read", SCHEMA, "--part-file", "part.bin", "--whole").output


def test_an_image_that_ends_early_is_compared_as_far_as_it_goes(bench: Path) -> None:
    """What it does not have may be anything, if nothing of the store is there; and --exact leaves
    it alone."""
    write("unit.bin", "--yes")
    Path("short.bin").write_bytes((bench / "unit.bin").read_bytes()[:-1])
    part = bytearray(Path("part.bin").read_bytes())
    part[FREE] = 0x12
    Path("part.bin").write_bytes(part)
    to = ("short.bin", "--exact", "--part-file", "part.bin")
    for command in ("verify", "write"):
        refused = run(command, SCHEMA, *to)
        assert (1, True) == (refused.exit_code, "lacks bytes of group `counters`" in refused.output)
    dump = bench / "used.hex"
    assert 0 == run("pack", SCHEMA, "--values", SCHEMAS / "tank_probe.values.toml",
                    "--used-pages", "-o", dump).exit_code
    same = run("verify", SCHEMA, dump, "--exact", "--part-file", "part.bin")
    assert (0, True) == (same.exit_code, "equal" in same.stdout)
    assert "holds these values already" in run("write", SCHEMA, dump, "--exact", "--part-file",
                                               "part.bin").stdout


def test_an_image_without_the_free_pages_at_its_end_will_do(bench: Path) -> None:
    """As raw binary of the used pages is: what it lacks is left alone."""
    Path("pump.toml").write_text(SMALL.format(part="24LC32A"), "utf-8")
    assert 0 == run("pack", "pump.toml", "--set", "trim.gain=5", "--used-pages", "-o",
                    "pump.bin").exit_code
    short = Path("pump.bin").read_bytes()
    assert len(short) < 4096
    part = short.ljust(4095, b"\xff") + b"\x12"
    Path("part.bin").write_bytes(part)
    changed = run("write", "pump.toml", "--set", "user.limit=9", "--part-file", "part.bin", "--yes")
    assert 0 == changed.exit_code
    to = ("pump.toml", "pump.bin", "--exact", "--part-file", "part.bin")
    assert 1 == run("verify", *to).exit_code
    assert 0 == run("write", *to, "--yes").exit_code
    assert 0 == run("verify", *to).exit_code
    assert part == Path("part.bin").read_bytes()


def test_a_part_of_an_earlier_release_is_told_with_the_way(bench: Path) -> None:
    """Values go to it as one of its release, an image of a later one does not; the commands that
    are named bring it over."""
    run("pack", SCHEMA, "--release", "1", "--set", "settings.interval=33", "-o", "part.bin")
    told = "the part is of release 1, the schema of release 5: values are written as release 1 "
    for more in (("--set", "settings.interval=40"), ("unit.bin",)):
        said = write(*more)
        assert told in said.output, more
    commands = [shlex.split(line) for line in said.output.splitlines()
                if line.startswith("  paramstore ")]
    assert ["read", "migrate", "write"] == [words[1] for words in commands]
    for words in commands:
        done = run(*words[1:])
        assert 0 == done.exit_code, (words, done.stderr)
    assert "release 5" in run("read", SCHEMA, "--part-file", "part.bin").stdout
    assert told not in write("--set", "settings.interval=40").output
    assert "33 s" in run("read", SCHEMA, "--part-file", "part.bin").stdout


def two_releases() -> None:
    """pump.toml with release 1, and release 2 whose rings lie elsewhere; old.bin and new.bin are
    the same unit, as either has it."""
    first = SMALL.format(part="24LC32A")
    Path("pump.toml").write_text(first, "utf-8")
    assert 0 == run("freeze", "pump.toml").exit_code
    assert 0 == run("pack", "pump.toml", "--set", "trim.gain=5", "--set", "identity.serial=A1",
                    "-o", "old.bin").exit_code
    later = first.replace('name = "pump"', 'name = "pump"\nseries = 1').replace(
        "room = 0\n[group.trim", "room = 40\n[group.trim")
    Path("pump.toml").write_text(later, "utf-8")
    assert 0 == run("freeze", "pump.toml").exit_code
    made = run("migrate", "pump.toml", "old.bin", "--to", "2", "--relayout", "-o", "new.bin")
    assert 0 == made.exit_code, made.stderr


@pytest.mark.parametrize("again", [False, True])
def test_a_write_of_another_release_that_is_stopped_leads_both_ways(
        again: bool, bench: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At every page, also in a repeat: the copy from before the first try is named, and the command
    that is told brings the old bytes back; the repeat ends the work."""
    from paramstore.bus.part_file import PartFile

    def stopped(number: int) -> str:
        with monkeypatch.context() as patch:
            patch.setattr("paramstore.bus.part_file.PartFile",
                          partial(PartFile, faults=[CutAtWrite(number, Tear(Torn.MIX, 0, number))]))
            return run(*work).stderr

    two_releases()
    old, new = (Path(name).read_bytes() for name in ("old.bin", "new.bin"))
    work = ("write", "pump.toml", "new.bin", "--exact", "--unlock", "--yes", "--part-file",
            "part.bin", "--backup", "kept.hex")
    for pages in range(1, 100):
        Path("kept.hex").unlink(missing_ok=True)
        Path("part.bin").write_bytes(old)
        said = stopped(pages)
        if "did not end" not in said:
            break
        if again and "or go back" in (more := stopped(2)):
            said = more
            assert "kept.hex: what the part held before the write that did not end\n" in said
        back = said.partition("or go back: ")[2].splitlines()[0]
        assert ("paramstore write pump.toml kept.hex --exact --unlock --part-file part.bin "
                "--yes") == back
        half = Path("part.bin").read_bytes()
        done = run(*shlex.split(back)[1:])
        assert (0, old) == (done.exit_code, Path("part.bin").read_bytes()), done.stderr
        Path("part.bin").write_bytes(half)
        assert 0 == run(*work).exit_code
        assert new == Path("part.bin").read_bytes()
    assert pages > 5
