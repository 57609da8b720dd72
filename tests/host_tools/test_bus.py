"""The commands `paramstore read`, `write` and `verify`, on a part that is a file."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from paramstore.core.errors import SourceText
from paramstore.files.forms import FORMS, decode_image
from paramstore.production.records import Records
from paramstore.releases.project import open_project
from tests.host_tools.copies import copied_schema
from tests.host_tools.part_bench import (
    SCHEMA,
    SCHEMAS,
    VALUES,
    lay_out,
    read_back,
    run,
    write,
)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with the image of the shipped values."""
    monkeypatch.chdir(tmp_path)
    return lay_out(tmp_path)


def test_a_blank_part_is_programmed(bench: Path) -> None:
    """First it is shown and nothing happens; then the part is the image, byte by byte."""
    shown = write("unit.bin")
    assert 0 == shown.exit_code
    assert "  the label is written\n  the part is blank: every group is written; " in shown.stdout
    assert any(line.lstrip().startswith("-> x [0, 480,") for line in shown.stdout.splitlines())
    assert re.search(r'  identity\.serial +"" +-> "TP-2601-0042"\n', shown.stdout)
    assert "would be written; --yes does it\n" in shown.stdout
    assert "caution: wrong values" in shown.stderr
    assert not (bench / "part.bin").exists()
    done = write("unit.bin", "--yes")
    assert (0, True) == (done.exit_code, "written and read back\n" in done.stdout)
    assert (bench / "unit.bin").read_bytes() == (bench / "part.bin").read_bytes()
    kept = (bench / "tank_probe.before-0001.hex").read_bytes()
    data, gaps = decode_image(kept, FORMS["hex"], "kept.hex", 4096)
    assert (b"\xff" * 4096, True) == (data, bool(gaps))  # free pages were not read
    assert "the old content goes to tank_probe.before-0001.hex\n" in shown.stdout
    verified = run("verify", SCHEMA, "unit.bin", "--exact", "--part-file", "part.bin")
    assert (0, "tank_probe on the 24LC32A at part.bin, 0x50: equal\n") == (
        verified.exit_code, verified.stdout)


def test_a_setting_changes_and_the_rest_stays(bench: Path) -> None:
    """One value, shown with its units before and after."""
    write("unit.bin", "--yes")
    shown = write("--set", "settings.interval=45 s")
    assert re.fullmatch("tank_probe on the 24LC32A at part.bin, 0x50\n"
                        "  settings.interval  30 s -> 45 s\n"
                        "  0x01C0   32 bytes  settings: record 2, slot 1\n"
                        "  0x01E0   32 bytes  settings: record 2, slot 1\n"
                        "  0x0200    9 bytes  settings: record 2, slot 1\n"
                        r"73 bytes, about 0\.0\d s at 400 kHz; the old content goes to tank_probe\."
                        r"before-0002\.hex\n"
                        "3 pages of 128 would be written; --yes does it\n", shown.stdout)
    write("--set", "settings.interval=45 s", "--yes")
    assert "45 s" in read_back() and '"TP-2601-0042"' in read_back()
    again = write("--set", "settings.interval=45 s", "--yes")
    assert "holds these values already: nothing to write\n" in again.stdout


def test_rules_hold_between_what_is_given_and_what_the_part_has(bench: Path) -> None:
    """Not between what is given and a default that the part does not hold: neither is a good value
    refused, nor is a bad one let through."""
    assert 0 == write("--set", "settings.ph_high=12", "--yes").exit_code
    Path("low.toml").write_text("[settings]\nph_low = 9\n", "utf-8")
    for given in (("--set", "settings.ph_low=9"), ("--values", "low.toml")):
        shown = write(*given)
        assert (0, True) == (shown.exit_code, "6.5 pH -> 9 pH" in shown.stdout)
        differs = run("verify", SCHEMA, *given, "--part-file", "part.bin")
        assert (1, True) == (differs.exit_code, "differs in 1 parameter" in differs.stdout)
    refused = write("--set", "settings.ph_low=13")
    assert 1 == refused.exit_code
    assert "PS963: `ph_low` = 13 pH must be below `ph_high` = 12 pH" in refused.output
    both = write("--set", "settings.ph_low=9", "--set", "settings.ph_high=8")
    assert "PS510: `ph_low` = 9 pH must be below `ph_high` = 8 pH" in both.output


def test_identity_and_calibration_are_kept_unless_unlocked(bench: Path) -> None:
    """Another image of the unit brings its settings, not its identity; so does one of no unit."""
    write("unit.bin", "--yes")
    run("pack", SCHEMA, "--values", VALUES, "--set", "identity.hardware=4", "--set",
        "settings.interval=50",
        "-o", "other.bin")
    kept = write("other.bin", "--yes")
    assert "PS964: group `identity` is kept" in kept.output
    assert "    identity.hardware  3 -> 4\n" in kept.stdout
    assert "hardware  3\n" in read_back() and "50 s" in read_back()
    again = write("other.bin", "--yes")
    assert "\n  nothing to write: what differs is kept\n" in again.stdout
    assert "holds these values already" not in again.stdout
    run("pack", SCHEMA, "--set", "settings.interval=51", "-o", "nameless.bin")
    assert 0 == write("nameless.bin", "--yes").exit_code
    assert '"TP-2601-0042"' in read_back() and "51 s" in read_back()
    write("other.bin", "--yes", "--unlock")
    assert "hardware  4\n" in read_back()


def test_the_image_of_another_unit_is_refused(bench: Path) -> None:
    """The wrong part is in the holder, or the wrong image was named: nothing is written."""
    write("unit.bin", "--yes")
    run("pack", SCHEMA, "--values", VALUES, "--set", "identity.serial=TP-2601-0043",
        "--set", "settings.interval=50", "-o", "other.bin")
    before = Path("part.bin").read_bytes()
    refused = write("other.bin", "--yes")
    assert (1, True) == (refused.exit_code, "error PS967: this part is TP-2601-0042, the image is "
                         "of TP-2601-0043" in refused.output)
    assert before == Path("part.bin").read_bytes()
    assert 0 == write("other.bin", "--yes", "--unlock").exit_code
    assert '"TP-2601-0043"' in read_back()


def test_a_copy_that_is_damaged_is_told(bench: Path) -> None:
    """The values are right, but one more error would cost a calibration (PS968). `verify` counts
    the copies, `write` makes the one that is lacking."""
    write("unit.bin", "--yes")
    plan = open_project(SourceText(str(SCHEMA), SCHEMA.read_text("utf-8"))).plan
    at = plan.ring("factory").address(0) + 9
    image = bytearray(Path("part.bin").read_bytes())
    image[at] ^= 4
    Path("part.bin").write_bytes(image)
    verified = run("verify", SCHEMA, "unit.bin", "--part-file", "part.bin")
    told = "warning PS968: a slot of group `factory` is damaged"
    assert (1, True, True) == (verified.exit_code, told in verified.output,
                               "factory: 1 of 2 copies" in verified.stdout)
    shown = write("unit.bin", "--yes")
    assert (0, True, True) == (shown.exit_code, told in shown.output,
                               "factory: a copy that it lacks" in shown.stdout)
    verified = run("verify", SCHEMA, "unit.bin", "--part-file", "part.bin")
    assert (0, True) == (verified.exit_code, told in verified.output)
    mended = write("--set", "factory.adc_offset=7", "--unlock", "--yes")
    assert (0, False) == (mended.exit_code, "PS968" in mended.output)


def test_what_is_not_ours_leaves_a_way(bench: Path) -> None:
    """A part with bytes of something else is refused, and how it can be used is told."""
    Path("part.bin").write_bytes(bytes(range(256)) * 16)
    refused = write("unit.bin", "--yes")
    assert (1, True) == (refused.exit_code, "to use the part anew, erase it" in refused.output)
    assert bytes(range(256)) * 16 == Path("part.bin").read_bytes()


def test_a_foreign_part_is_left_alone(bench: Path) -> None:
    """The label of another store: exit code 1, no backup, no byte changed."""
    Path("other.toml").write_text('''
        [store]
        name = "other"
        part = "24LC32A"
        [group.user]
        role = "setting"
        writes = "1 per day"
        [group.user.parameter]
        level = { type = "u8" }
        ''')
    run("pack", "other.toml", "-o", "part.bin")
    before = (bench / "part.bin").read_bytes()
    result = write("unit.bin", "--yes")
    assert 1 == result.exit_code
    assert "error PS607: the part holds the store `other`" in result.output
    assert before == (bench / "part.bin").read_bytes()
    assert not list(bench.glob("*.before-*"))


def test_a_backup_comes_back(bench: Path) -> None:
    """Byte by byte, with the key for identity and calibration."""
    write("unit.bin", "--yes")
    before = (bench / "part.bin").read_bytes()
    write("--set", "electrode.ph_slope=-55", "--unlock", "--yes", "--backup", "old.bin")
    assert "-55.00 mV/pH" in read_back()
    refused = write("old.bin", "--exact", "--yes")
    assert (1, True) == (refused.exit_code, "error PS964" in refused.output)
    assert 0 == write("old.bin", "--exact", "--unlock", "--yes").exit_code
    assert before == (bench / "part.bin").read_bytes()


def test_the_same_values_in_other_bytes_are_told_as_that(bench: Path) -> None:
    """By --exact: the groups have records already, with no default in them."""
    write("unit.bin", "--yes")
    for interval in (45, 30):
        write("--set", f"settings.interval={interval}", "--yes")
    shown = write("unit.bin", "--exact")
    assert "  settings: the same values in other bytes" == shown.stdout.splitlines()[1]


def test_a_unit_is_brought_to_a_later_release(bench: Path) -> None:
    """Read, migrate, write back: the image replaces all that the part holds, so it needs --unlock;
    without --exact an image of another release does not go with the part."""
    run("pack", SCHEMA, "--release", "1", "--set", "settings.interval=33", "-o", "first.bin")
    Path("part.bin").write_bytes(Path("first.bin").read_bytes())
    assert 0 == run("read", SCHEMA, "-o", "read.bin", "--part-file", "part.bin").exit_code
    for target in (2, 5):
        made = f"made{target}.bin"
        assert 0 == run("migrate", SCHEMA, "read.bin", "--to", str(target), "-o", made).exit_code
        refused = write(made, "--exact", "--yes")
        assert (1, True) == (refused.exit_code, "error PS964: the image is of release" in
                             refused.output)
        assert "error PS962" in write(made, "--yes").output
        done = write(made, "--exact", "--unlock", "--yes", "--backup", f"before{target}.bin")
        assert 0 == done.exit_code, done.stderr
        assert bench.joinpath(made).read_bytes() == Path("part.bin").read_bytes()
        assert "33 s" in read_back() and f"release {target}" in read_back()


def test_verify_tells_what_differs(bench: Path) -> None:
    """By parameter with exit code 1; a values file is compared in what it names."""
    write("unit.bin", "--yes")
    write("--set", "settings.interval=45", "--yes")
    result = run("verify", SCHEMA, "unit.bin", "--part-file", "part.bin")
    assert 1 == result.exit_code
    assert ("tank_probe on the 24LC32A at part.bin, 0x50: differs in 1 parameter\n"
            "  on the part -> wanted\n  settings.interval  45 s -> 30 s\n") == result.stdout
    assert 0 == run("verify", SCHEMA, "--set", "settings.interval=45", "--part-file",
                    "part.bin").exit_code
    exact = run("verify", SCHEMA, "unit.bin", "--exact", "--part-file", "part.bin", "--json")
    data = json.loads(exact.stdout)
    assert ["interval"] == [c["parameter"] for c in data["changed"]]
    assert data["bytes"] and not data["equal"]


def test_read_makes_a_dump(bench: Path) -> None:
    """The same report as `unpack` gives of it."""
    write("unit.bin", "--yes")
    result = run("read", SCHEMA, "--part-file", "part.bin", "-o", "dump.hex")
    assert 0 == result.exit_code
    assert run("unpack", SCHEMA, "dump.hex").stdout == result.stdout
    data = json.loads(run("read", SCHEMA, "--part-file", "part.bin", "--json").stdout)
    assert "this store" == data["label"]["state"]


def test_results_are_noted_for_the_unit(bench: Path) -> None:
    """The digest of the image says which one it is."""
    schema = copied_schema(bench)
    table = SCHEMAS / "tank_probe.units.csv"
    assert 0 == run("batch", schema, table, "--new-serials", "TP-26-####", "-o", "images").exit_code
    for command in ("write", "verify"):
        run(command, SCHEMA, "images/TP-26-0003.bin", "--part-file", "part.bin",
            "--records", "tank_probe.units.db", *(["--yes"] if command == "write" else []))
    run("write", SCHEMA, "images/TP-26-0004.bin", "--part-file", "other.bin", "--yes")
    run("write", SCHEMA, "--set", "settings.interval=50", "--part-file", "other.bin", "--yes")
    run("verify", SCHEMA, "images/TP-26-0004.bin", "--part-file", "other.bin",
        "--records", "tank_probe.units.db")
    with Records("tank_probe.units.db") as records:
        noted = {u.serial: [(e.what, e.good) for e in u.events if e.sha256 == u.image.sha256]
                 for u in records.units("TP-26-000")}
    assert {"TP-26-0001": [], "TP-26-0002": [], "TP-26-0005": [],
            "TP-26-0003": [("begin", False), ("write", True), ("verify", True)],
            "TP-26-0004": [("verify", False)]} == noted


def test_other_values_are_noted_for_the_unit_that_the_part_is(bench: Path) -> None:
    """Without an image its serial number tells; the record of the unit then says that its values
    are not those of the image any more, until that is written again."""
    schema = copied_schema(bench)
    table = SCHEMAS / "tank_probe.units.csv"
    assert 0 == run("batch", schema, table, "--new-serials", "TP-26-####", "-o", "images").exit_code
    to = ("--part-file", "part.bin", "--records", "tank_probe.units.db", "--yes")
    change = ("write", SCHEMA, "--set", "factory.adc_gain=1.02", *to)
    first = run(*change)
    assert "the part has no serial number; nothing was noted" in first.output
    Path("part.bin").unlink()

    def record() -> str:
        assert 0 == run("units", "--records", "tank_probe.units.db", "TP-26-0003",
                        "--unit-record", "r.html").exit_code
        return Path("r.html").read_text("utf-8")

    image = ("write", SCHEMA, "images/TP-26-0003.bin", *to)
    assert 0 == run(*image).exit_code
    told_so = "holds other values of factory than its image, as shown above."
    assert told_so not in record()
    compared = run("verify", SCHEMA, "--set", "factory.adc_gain=1.02", *to[:-1])
    assert "only an image is compared for the records; nothing was noted" in compared.output
    told = run(*change, "--unlock")
    assert "tank_probe.units.db: noted for unit TP-26-0003" in told.output
    page = record()
    assert "good: factory.adc_gain 1.02000" in page and told_so in page
    assert "1.00043 <span class=\"bad\">(the part holds 1.02000)</span>" in page
    with Records("tank_probe.units.db") as kept:
        unit = kept.unit("TP-26-0003")
        assert unit is not None and ["begin", "write", "begin", "change"] == [
            e.what for e in unit.events]
        assert unit.events[-1].held and unit.events[-1] == unit.last_reading
    kept = run(*image)  # the calibration stays, so this is no good write of the image
    assert (0, True) == (kept.exit_code, "group `factory` is kept" in kept.output)
    assert told_so in record() and "failed: differs in 1 parameter; kept: factory" in record()
    assert 0 == run(*image, "--unlock").exit_code
    assert told_so not in record()
    run("write", SCHEMA, "--set", "identity.serial='X-1'", "--unlock", *to)
    assert "its part became unit X-1" in record()
    assert "unit `X-1` is not on record; nothing was noted" in run(*change, "--unlock").output


def test_the_part_of_another_unit_is_named_and_nothing_noted(bench: Path) -> None:
    """Neither a comparison nor a write says anything of the unit that the image is of."""
    schema = copied_schema(bench)
    table = SCHEMAS / "tank_probe.units.csv"
    run("batch", schema, table, "--new-serials", "TP-26-####", "-o", "images")
    write("images/TP-26-0002.bin", "--yes")
    to = ("images/TP-26-0003.bin", "--part-file", "part.bin")
    told = "PS967: this part is TP-26-0002, the image is of TP-26-0003"
    for records in ((), ("--records", "tank_probe.units.db")):
        verified = run("verify", SCHEMA, *to, *records)
        assert (1, True) == (verified.exit_code, told in verified.output)
        data = json.loads(run("verify", SCHEMA, *to, *records, "--json").stdout)
        assert ["PS967"] == [f["code"] for f in data["findings"]]
    assert told in run("write", SCHEMA, *to, *records, "--yes").output
    with Records("tank_probe.units.db") as kept:
        assert not any(unit.events for unit in kept.units())


def test_a_part_without_a_serial_number_is_told_as_that(bench: Path) -> None:
    """Neither of the two is shown as an empty name."""
    run("pack", SCHEMA, "-o", "nameless.bin", "--write-defaults")
    write("nameless.bin", "--yes")
    assert "this part has no serial number, the image is of TP-2601-0042" in write(
        "unit.bin").output
    write("unit.bin", "--unlock", "--yes")
    assert "this part is TP-2601-0042, the image has none" in write("nameless.bin").output


@pytest.mark.parametrize(("arguments", "told"), [
    (("read", SCHEMA), "which part is meant?"),
    (("read", SCHEMA, "--bus", "7"), "/dev/i2c-7"),
    (("read", SCHEMA, "--bus", "7", "--part-file", "x"), "two parts are named"),
    (("read", SCHEMA, "--part-file", "no.bin"), "cannot read `no.bin`"),
    (("read", SCHEMA, "--part-file", "unit.bin", "-o", "dump.uf2"), "UF2 needs the family ID"),
    (("read", SCHEMA, "--part-file", "unit.bin", "-o", "unit.bin"), "is an input and stays"),
    (("write", SCHEMA, "--part-file", "x"), "nothing to write"),
    (("write", SCHEMA, "unit.bin", "--set", "a.b=1", "--part-file", "x"),
     "values and an image are two things to write"),
    (("write", SCHEMA, "--values", VALUES, "--exact", "--part-file", "x"),
     "--exact needs an image"),
    (("verify", SCHEMA, "--values", VALUES, "--exact", "--part-file", "x"),
     "--exact needs an image"),
    (("verify", SCHEMA, "unit.bin", "--part-file", "unit.toml"), "cannot read `unit.toml`"),
])
def test_what_cannot_be_done_is_told(arguments: tuple[str | Path, ...], told: str,
                                     bench: Path) -> None:
    """Exit code 2 and a message."""
    result = run(*arguments)
    assert 2 == result.exit_code
    assert told in result.output


def test_a_write_that_is_stopped_says_how_to_go_on(bench: Path,
                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    """By the keys that stop a program, too, which ends it with 130. To a blank part an
    erasing leads back, for `--exact` takes no image without a label."""
    assert 0 == run("pack", SCHEMA, "--values", VALUES, "-o", "used.bin").exit_code

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("paramstore.bus.programmer.Programmer.write_page", stop)
    result = write("unit.bin", "--yes")
    assert 130 == result.exit_code
    assert result.stderr.endswith("the write did not end; repeat it, or go back: paramstore erase "
                                  f"{SCHEMA} --unlock --part-file part.bin --yes\n")
    result = run("write", SCHEMA, "--set", "settings.interval=45", "--yes", "--part-file",
                 "used.bin")
    assert 130 == result.exit_code
    assert result.stderr.endswith(
        f"go back: paramstore write {SCHEMA} tank_probe.before-0002.hex --exact --part-file "
        "used.bin --yes\n")


@pytest.mark.parametrize(("more", "told"), [
    (("no.bin", "--part-file", "new.bin"), "cannot read `no.bin`"),
    (("--values", "no.toml", "--part-file", "new.bin"), "cannot read `no.toml`"),
    (("unit.bin", "--part-file", "no/part.bin"), "cannot write `no/part.bin`: No such file"),
    (("unit.bin", "--part-file", "new.bin", "--records", "no.db"), "there are no records"),
])
def test_nothing_begins_before_all_inputs_are_there(more: tuple[str, ...], told: str,
                                                    bench: Path) -> None:
    """Not a word of a part, no backup, and nothing is written."""
    result = run("write", SCHEMA, *more, "--yes")
    assert (2, True) == (result.exit_code, told in result.output)
    assert "simulated" not in result.output and "Reading" not in result.output
    assert ["unit.bin"] == [p.name for p in bench.iterdir()]


def test_a_mistake_in_the_values_is_told(bench: Path) -> None:
    """As `pack` tells it, and nothing is written."""
    result = write("--set", "settings.interval=9999", "--yes")
    assert (1, True) == (result.exit_code, "error PS506" in result.output)
    assert not (bench / "part.bin").exists()
