"""Parts and images of which one has a record of a group and the other has none."""

from __future__ import annotations

import json
import shlex
from functools import partial
from pathlib import Path

import pytest

from paramstore.core.errors import SourceText
from paramstore.production.records import Records
from paramstore.releases.project import open_project
from paramstore.verify.eeprom.faults import CutAtWrite, Tear, Torn
from tests.host_tools.part_bench import run

TEXT = """
[store]
name = "mixer"
part = "24LC32A"
[group.identity]
role = "identity"
writes = "1 per year"
copies = 2
[group.identity.parameter]
serial = { type = "text", size = 8 }
[group.cal]
role = "calibration"
writes = "1 per year"
copies = 2
[group.cal.parameter]
flow_gain = { type = "f32", default = 1.0 }
[group.settings]
role = "setting"
writes = "10 per day"
[group.settings.parameter]
level = { type = "u16", default = 5, max = 1000 }
"""
SCHEMA, DB, PART = "mixer.toml", "mixer.units.db", ("--part-file", "a.bin")
IMAGE = "images/MX-0001.bin"
EXTRA = "  cal: the part holds a record, the image has none"


@pytest.fixture(autouse=True)
def unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A batch of one unit whose table gives no calibration, and a part that was given its image."""
    monkeypatch.chdir(tmp_path)
    Path(SCHEMA).write_text(TEXT, "utf-8")
    Path("units.csv").write_text("settings.level\n7\n", "utf-8")
    made = run("batch", SCHEMA, "units.csv", "--new-serials", "MX-####", "-o", "images")
    assert 0 == made.exit_code, made.stderr
    assert 0 == run("write", SCHEMA, IMAGE, "--yes", *PART).exit_code
    Path("mixer.before-0001.hex").unlink()


def calibrated(value: str = "1.15") -> None:
    assert 0 == run("write", SCHEMA, "--set", f"cal.flow_gain={value}", "--yes", *PART).exit_code


def flip(group: str, *slots: int) -> None:
    """Damage slots of the part."""
    ring = open_project(SourceText(SCHEMA, TEXT)).plan.ring(group)
    image = bytearray(Path("a.bin").read_bytes())
    for slot in slots:
        image[ring.address(slot) + 9] ^= 4
    Path("a.bin").write_bytes(image)


def last_event() -> tuple[str, bool]:
    with Records(DB) as kept:
        unit = kept.unit("MX-0001")
    assert unit is not None
    return unit.events[-1].what, unit.events[-1].good


@pytest.mark.parametrize("value", ["1.15", "1.0"])
def test_a_calibration_that_the_image_does_not_have_is_a_difference(value: str) -> None:
    """Whatever its values: the defaults in a record are served as a calibration."""
    assert 0 == run("verify", SCHEMA, IMAGE, "--records", DB, *PART).exit_code
    assert ("verify", True) == last_event()
    calibrated(value)
    for more in ((), ("--exact",)):
        found = run("verify", SCHEMA, IMAGE, "--records", DB, *more, *PART)
        assert (1, True) == (found.exit_code, EXTRA in found.stdout.splitlines())
        assert "differs in 1 group that the image has no record of" in found.stdout
        assert ("verify", False) == last_event()
    assert " failed " in run("units", "--records", DB).stdout
    data = json.loads(run("verify", SCHEMA, IMAGE, "--json", *PART).stdout)
    assert (False, ["cal"], []) == (data["equal"], data["not_in_image"], data["lost"])
    for others in ((IMAGE, "a.bin"), ("a.bin", "--records", DB)):
        told = run("differ", SCHEMA, *others)
        assert (1, True) == (told.exit_code, "cal.flow_gain  no record -> 1" in told.stdout), others


@pytest.mark.parametrize("unlock", [(), ("--unlock",)])
def test_a_write_tells_what_it_leaves(unlock: tuple[str, ...]) -> None:
    """Values of an image take no record away, and the part is not noted as equal to it."""
    calibrated()
    before = Path("a.bin").read_bytes()
    done = run("write", SCHEMA, IMAGE, "--yes", "--records", DB, *unlock, *PART)
    assert before == Path("a.bin").read_bytes()
    assert "holds these values already" not in done.stdout
    assert EXTRA + "; it stays, --exact takes it away" in done.stdout.splitlines()
    assert ("write", False) == last_event()
    data = json.loads(run("write", SCHEMA, IMAGE, "--json", *PART).stdout)
    assert ["cal"] == data["not_in_image"]
    values = run("write", SCHEMA, "--set", "settings.level=7", *PART)
    assert "holds these values already" in values.stdout


def test_a_calibration_that_is_lost_is_told_though_the_image_has_none() -> None:
    """Both copies are damaged: by every command that compares."""
    calibrated()
    flip("cal", 0, 1)
    found = run("verify", SCHEMA, IMAGE, "--records", DB, *PART)
    assert (1, True) == (found.exit_code, "warning PS965: group `cal` is lost" in found.output)
    assert "  cal: lost: damaged (or its first write was cut)" in found.stdout.splitlines()
    assert ("verify", False) == last_event()
    data = json.loads(run("verify", SCHEMA, IMAGE, "--json", *PART).stdout)
    assert (False, ["cal"], ["PS965"]) == (
        data["equal"], data["lost"], [f["code"] for f in data["findings"]])
    for others in ((IMAGE, "a.bin"), ("a.bin", "--records", DB)):
        told = run("differ", SCHEMA, *others)
        assert (1, True) == (told.exit_code,
                             "cal.flow_gain  no record -> lost: damaged" in told.stdout), others
    assert "warning PS965: group `cal` is lost" in run("write", SCHEMA, IMAGE, *PART).output


def test_what_is_damaged_or_erased_is_not_said_to_be_never_written() -> None:
    """Bytes in a ring are those of a record that is lost; without any nobody can tell."""
    flip("settings", 0)
    damaged = run("verify", SCHEMA, IMAGE, *PART)
    assert (1, True) == (damaged.exit_code, "\n  settings: lost: damaged (or its first write was "
                         "cut)\n" in damaged.stdout)
    assert "1 lost group" in damaged.stdout
    assert 0 == run("erase", SCHEMA, "--yes", "--unlock", *PART).exit_code
    erased = run("verify", SCHEMA, IMAGE, *PART)
    assert "\n  settings: no record (never written, or erased)\n" in erased.stdout
    assert "2 groups without a record" in erased.stdout


@pytest.mark.parametrize("value", ["1.15", "1.0"])
def test_a_calibration_that_an_exact_write_takes_away_is_told(value: str) -> None:
    """It needs the key, even if the part serves the same values afterwards."""
    calibrated(value)
    assert "PS964: the image changes `cal`" in run("write", SCHEMA, IMAGE, "--exact", *PART).output
    shown = run("write", SCHEMA, IMAGE, "--exact", "--unlock", *PART)
    line = "  cal: its record {} erased; the firmware serves defaults and says so"
    assert line.format("is") in shown.stdout.splitlines()
    assert "other bytes" not in shown.stdout
    data = json.loads(run("write", SCHEMA, IMAGE, "--exact", "--unlock", "--json", *PART).stdout)
    assert ["cal"] == data["erased_groups"]
    done = run("write", SCHEMA, IMAGE, "--exact", "--unlock", "--yes", *PART)
    assert line.format("was") in done.stdout.splitlines()
    assert 0 == run("verify", SCHEMA, IMAGE, "--exact", *PART).exit_code


def test_what_is_left_of_a_lost_record_is_no_value() -> None:
    """An exact write over it does not bring the same values."""
    calibrated()
    flip("cal", 0, 1)
    shown = run("write", SCHEMA, IMAGE, "--exact", *PART)
    assert "  cal: the rest of its lost record is written over" in shown.stdout.splitlines()


def test_erasing_says_which_options_it_needs() -> None:
    """What it promises without them is what happens with them."""
    shown = run("erase", SCHEMA, *PART)
    assert ("would be erased; --yes --unlock (the part has identity) keeps a copy and does it\n"
            in shown.stdout)
    data = json.loads(run("erase", SCHEMA, "--json", *PART).stdout)
    assert ["identity"] == data["needs_unlock"]
    assert 0 == run("erase", SCHEMA, "--yes", "--unlock", *PART).exit_code
    run("write", SCHEMA, "--set", "settings.level=9", "--yes", *PART)
    assert "would be erased; --yes keeps a copy and does it\n" in run("erase", SCHEMA, *PART).stdout


def test_a_write_that_was_stopped_is_listed_as_that(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is no change of values, and no erasing."""
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    works = (("write", SCHEMA, "--set", "settings.level=9"), ("erase", SCHEMA, "--unlock"))
    with monkeypatch.context() as patch:
        patch.setattr("paramstore.bus.programmer.Programmer.write_page", stop)
        for work in works:
            assert 130 == run(*work, "--yes", "--records", DB, *PART).exit_code
            listed = run("units", "--records", DB).stdout
            assert " stopped " in listed and "changed" not in listed and "erased" not in listed
    assert 0 == run(*works[0], "--yes", "--records", DB, *PART).exit_code
    assert " changed " in run("units", "--records", DB).stdout


def test_a_copy_of_the_same_bytes_is_not_made_twice() -> None:
    """And the sentence on a write that did not end is said of no other."""
    calibrated()
    assert Path("mixer.before-0001.hex").exists()
    Path("mixer.before-0001.hex").unlink()
    cleared = run("write", SCHEMA, IMAGE, "--exact", "--unlock", "--yes", *PART)
    assert "mixer.before-0001.hex: what the part held\n" in cleared.output
    erased = run("erase", SCHEMA, "--unlock", "--yes", *PART)
    assert "mixer.before-0002.hex: what the part held\n" in erased.output
    assert "did not end" not in cleared.output + erased.output
    back = run("write", SCHEMA, "mixer.before-0002.hex", "--exact", "--yes", *PART)
    assert "mixer.before-0003.hex: what the part held\n" in back.output
    assert Path(IMAGE).read_bytes() == Path("a.bin").read_bytes()
    again = run("erase", SCHEMA, "--unlock", "--yes", "--backup", "mixer.before-0002.hex", *PART)
    assert "mixer.before-0002.hex: holds the same bytes: no new copy\n" in again.output
    assert 3 == len(list(Path().glob("mixer.before-*")))


def test_the_copy_of_a_blank_part_is_an_erasing() -> None:
    """An image without a label cannot be written; the way is told."""
    Path("a.bin").unlink()
    assert 0 == run("write", SCHEMA, IMAGE, "--yes", *PART).exit_code
    refused = run("write", SCHEMA, "mixer.before-0001.hex", "--exact", "--yes", *PART)
    assert (1, True) == (refused.exit_code, "PS962" in refused.output)
    assert "`paramstore erase` makes a part blank" in refused.output


def test_the_way_back_is_a_whole_command(monkeypatch: pytest.MonkeyPatch) -> None:
    """As it is given to a shell, it brings the old bytes back."""
    from paramstore.bus.part_file import PartFile

    def cut(*arguments: str) -> list[str]:
        faults = [CutAtWrite(3, Tear(Torn.MIX, 0, 1))]
        with monkeypatch.context() as patch:
            patch.setattr("paramstore.bus.part_file.PartFile", partial(PartFile, faults=faults))
            said = run(*arguments, "--records", DB, "--part-file", "a part.bin").stderr
        name, *back = shlex.split(said.partition("or go back: ")[2].splitlines()[0])
        assert "paramstore" == name
        return back

    Path("a.bin").rename("a part.bin")
    before = Path("a part.bin").read_bytes()
    for work in (("write", SCHEMA, "--set", "cal.flow_gain=1.1", "--set", "settings.level=9",
                  "--yes"), ("erase", SCHEMA, "--unlock", "--yes")):
        done = run(*cut(*work))
        assert (0, before) == (done.exit_code, Path("a part.bin").read_bytes()), done.stderr
    Path("a part.bin").write_bytes(b"\xff" * len(before))
    back = cut("write", SCHEMA, IMAGE, "--yes")
    assert (0, "erase") == (run(*back).exit_code, back[0])
    assert b"\xff" * len(before) == Path("a part.bin").read_bytes()
