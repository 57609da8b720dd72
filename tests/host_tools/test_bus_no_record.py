"""Parts and images of which one has a record of a group and the other has none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from paramstore.errors import SourceText
from paramstore.evolve.project import open_project
from paramstore.production.records import Records
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
    made = run("batch", SCHEMA, "units.csv", "--serial", "MX-####", "-o", "images")
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
    assert " failed " in run("units", DB).stdout
    data = json.loads(run("verify", SCHEMA, IMAGE, "--json", *PART).stdout)
    assert (False, ["cal"], []) == (data["equal"], data["not_in_image"], data["lost"])
    for others in ((IMAGE, "a.bin"), ("a.bin", DB)):
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
    assert (1, True) == (found.exit_code, "warning PS965: group `cal` is lost" in found.stderr)
    assert "  cal: lost: damaged (or its first write was cut)" in found.stdout.splitlines()
    assert ("verify", False) == last_event()
    data = json.loads(run("verify", SCHEMA, IMAGE, "--json", *PART).stdout)
    assert (False, ["cal"], ["PS965"]) == (
        data["equal"], data["lost"], [f["code"] for f in data["findings"]])
    for others in ((IMAGE, "a.bin"), ("a.bin", DB)):
        told = run("differ", SCHEMA, *others)
        assert (1, True) == (told.exit_code,
                             "cal.flow_gain  no record -> lost: damaged" in told.stdout), others
    assert "warning PS965: group `cal` is lost" in run("write", SCHEMA, IMAGE, *PART).stderr


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
