"""`paramstore migrate`: an image of one release made one of another, in place or laid out anew."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from paramstore.core.disk import read_text
from paramstore.core.status import Status
from paramstore.releases.history import load_history
from paramstore.releases.project import open_project
from paramstore.verify.rig.twin import TwinRig
from tests.engines import bench_for
from tests.host_tools.test_freeze import edit, run


@pytest.fixture
def schema(tmp_path: Path) -> Path:
    """A schema with three releases; the third converts what the first two hold."""
    path = tmp_path / "demo.toml"
    for name in ("released/0001", "released/0002", "fine_values"):
        edit(path, name)
        assert 0 == run("freeze", path).exit_code
    return path


def packed(schema: Path, release: int, *values: str) -> Path:
    image = schema.with_name(f"unit{release}.bin")
    sets = [word for value in values for word in ("--set", value)]
    result = run("pack", schema, "--release", release, *sets, "-o", image, "--write-defaults")
    assert 0 == result.exit_code, result.stderr
    return image


def values(schema: Path, image: Path) -> str:
    result = run("unpack", schema, image)
    assert 0 == result.exit_code, result.stdout
    return result.stdout


def test_converted_values_are_in_the_image(schema: Path) -> None:
    """What is told as converted is what `unpack` then finds by the new label, and back."""
    image = packed(schema, 2, "settings.delay=9", "settings.level=77", "settings.steps=[3, 4]")
    made, back = schema.with_name("made.bin"), schema.with_name("back.bin")
    result = run("migrate", schema, image, "--to", 3, "-o", made)
    assert 0 == result.exit_code, result.output
    assert "settings.delay  9 s -> 9000 ms" in result.stdout
    assert result.stdout.endswith("release 2 to release 3\n")
    there = values(schema, made)
    assert all(words in there for words in ("release 3", "9000 ms", "77 %", "[3, 4]"))
    assert 0 == run("migrate", schema, made, "--to", 2, "-o", back).exit_code
    assert all(words in values(schema, back) for words in ("release 2", "9 s", "77 %", "[3, 4]"))


def test_an_image_in_any_form(schema: Path) -> None:
    """What a dump is shows by its content, as for `unpack`; the output goes by its suffix."""
    image = packed(schema, 2, "settings.delay=9")
    text, made = schema.with_name("console.txt"), schema.with_name("made.s19")
    assert 0 == run("transcribe", schema, image, "-o", text).exit_code
    result = run("migrate", schema, text, "--to", 3, "-o", made)
    assert 0 == result.exit_code, result.output
    assert made.read_text().startswith("S")
    assert "9000 ms" in values(schema, made)


def test_nothing_is_lost_without_a_word(schema: Path) -> None:
    """A stored value that does not come over: exit code 1, and no image without --accept-loss;
    with it the image is written, the value is told, and the exit code is 0."""
    image = packed(schema, 2, "settings.level=95")
    made = schema.with_name("made.bin")
    refused = run("migrate", schema, image, "--to", 3, "-o", made)
    assert 1 == refused.exit_code
    assert "settings.level  95 % -> 50 %" in refused.stdout
    assert "not written, for 1 stored value would be lost" in refused.output
    assert not made.exists()
    data = json.loads(run("migrate", schema, image, "--to", 3, "-o", made, "--json").stdout)
    assert (2, 3, None) == (data["from"], data["to"], data["output"])
    assert ["settings.level"] == [v["where"] for v in data["values"] if v["outcome"] == "unfit"]
    assert 1 == run("migrate", schema, image, "--to", 3, "--accept-loss").exit_code
    accepted = run("migrate", schema, image, "--to", 3, "-o", made, "--accept-loss")
    assert 0 == accepted.exit_code, accepted.output
    assert "settings.level  95 % -> 50 %" in accepted.stdout
    assert "50 %" in values(schema, made)


def test_relayout(schema: Path) -> None:
    """Another part: only with --relayout, and the values come over; `compare` tells the two kinds
    of change apart by exit code, and units of before are still read."""
    image, made = packed(schema, 2, "settings.delay=9"), schema.with_name("made.hex")
    text = schema.read_text().replace("24LC04B", "24LC16B").replace("room = 22", "slots = 9")
    schema.write_text(text.replace("[store]", "[store]\nseries = 1"))
    checked = run("check", schema)
    assert 0 == checked.exit_code
    assert "needs relayout" in checked.stdout
    compared = run("compare", schema, "--json")
    assert (1, "needs relayout") == (compared.exit_code, json.loads(compared.stdout)["verdict"])
    assert 0 == run("freeze", schema).exit_code
    in_place = run("migrate", schema, image, "--to", 4, "-o", made)
    assert 2 == in_place.exit_code
    assert "--relayout" in in_place.output
    result = run("migrate", schema, image, "--to", 4, "--relayout", "-o", made)
    assert 0 == result.exit_code, result.output
    assert result.stdout.endswith("release 2 to release 4, laid out anew on the 24LC16B\n")
    assert all(words in values(schema, made) for words in ("release 4", "9000 ms", "24LC16B"))
    assert "release 2" in values(schema, image)
    assert 0 == run("migrate", schema, made, "--to", 2, "--relayout").exit_code


def test_images_of_no_release(schema: Path) -> None:
    """An image whose label no release has is refused, not guessed; one without a label needs
    --from; a release that the label does not name is refused."""
    image = packed(schema, 2, "settings.delay=9")
    content = bytearray(image.read_bytes())
    wrong = run("migrate", schema, image, "--to", 3, "--from", 1)
    assert 2 == wrong.exit_code and "PS6" not in wrong.output
    image.write_bytes(bytes(len(content)))
    assert 2 == run("migrate", schema, image, "--to", 3).exit_code
    image.write_bytes(b"\xFF" * len(content))
    blank = run("migrate", schema, image, "--to", 3)
    assert (2, True) == (blank.exit_code, "there is nothing to migrate" in blank.stderr)
    content[:64] = b"\xFF" * 64
    image.write_bytes(content)
    assert 2 == run("migrate", schema, image, "--to", 3).exit_code
    told = run("migrate", schema, image, "--to", 3, "--from", 2)
    assert 1 == told.exit_code  # the label is gone, which is told
    assert "9 s -> 9000 ms" in told.stdout


def test_an_unreleased_image(schema: Path) -> None:
    """An image of the schema as it stands goes back to a release; once the schema has changed,
    nobody knows what it is of."""
    schema.write_text(schema.read_text().replace("default = 50", "default = 51"))
    image = schema.with_name("unit.bin")
    assert 0 == run("pack", schema, "-o", image).exit_code
    back = run("migrate", schema, image, "--to", 2)
    assert back.stdout.endswith("unit.bin: the schema as it stands to release 2\n")
    schema.write_text(schema.read_text().replace('type = "u16", unit', 'type = "u32", unit'))
    assert 2 == run("migrate", schema, image, "--to", 2).exit_code


GAIN = """[store]
name = "scales"
part = "24LC04B"

[group.cal]
role = "calibration"
writes = "2 per year"
room = 40

[group.cal.parameter]
cell_gain = {{ type = {}, unit = "g/count", min = 0.5, max = 2, default = 1 }}
"""


def test_a_type_that_rounds(tmp_path: Path) -> None:
    """`check` says to which steps stored values will be rounded; `migrate` tells each value that
    was, with both values, and what was exact as converted; nothing is lost by it."""
    schema, made = tmp_path / "scales.toml", tmp_path / "made.bin"
    schema.write_text(GAIN.format('"f32"'))
    assert 0 == run("freeze", schema).exit_code
    uneven, exact = (packed(schema, 1, f"cal.cell_gain={v}").read_bytes() for v in (1.0213, 1.3))
    schema.write_text(GAIN.format('"u16", scale = 0.1'))
    checked = run("check", schema)
    assert ("f32 g/count becomes u16 x 0.1 g/count; values are converted, and rounded to steps of "
            "0.1 g/count") in checked.stdout
    assert 0 == run("freeze", schema).exit_code
    unit = tmp_path / "unit.bin"
    for image, before, after, outcome in ((uneven, "1.0213", "1", "rounded"),
                                       (exact, "1.3", "1.3", "converted")):
        unit.write_bytes(image)
        told = run("migrate", schema, unit, "--to", 2, "--json", "-o", made)
        assert 0 == told.exit_code
        (value,) = json.loads(told.stdout)["values"]
        assert (outcome, f"{before} g/count", f"{after} g/count") == tuple(
            value[k] for k in ("outcome", "before", "after"))
    back = run("migrate", schema, made, "--to", 1)
    assert "1 value converted\n" in back.stdout


def test_the_last_release_is_the_one_wanted(schema: Path) -> None:
    """Unless another one is named; without any release there is nothing to go to."""
    image, made = packed(schema, 2, "settings.delay=9"), schema.with_name("made.bin")
    wanted = run("migrate", schema, image, "--to", 3)
    assert (0, wanted.stdout) == ((said := run("migrate", schema, image)).exit_code, said.stdout)
    alone = schema.with_name("alone.toml")
    alone.write_text(GAIN.format('"f32"'))
    refused = run("migrate", alone, image, "-o", made)
    assert 2 == refused.exit_code and "nothing was released yet" in refused.stderr


def test_a_unit_without_a_calibration_gets_none(tmp_path: Path) -> None:
    """Its group has no record before and after, and nothing else is said of it."""
    schema, made = tmp_path / "scales.toml", tmp_path / "made.bin"
    schema.write_text(GAIN.format('"f32"'))
    assert 0 == run("freeze", schema).exit_code
    schema.write_text(GAIN.format('"u16", scale = 0.1'))
    assert 0 == run("freeze", schema).exit_code
    assert 0 == run("pack", schema, "--release", 1, "-o", tmp_path / "unit.bin").exit_code
    told = run("migrate", schema, tmp_path / "unit.bin", "-o", made)
    assert "1 value without a stored value: the default is served\n" in told.stdout
    assert "cal: blank" in run("unpack", schema, made).stdout


LIMITED = """[store]
name = "scales"
part = "24LC04B"

[group.user]
role = "setting"
writes = "2 per year"

[group.user.parameter]
level = {{ type = "{}", max = {} }}
"""


@pytest.mark.parametrize(("earlier", "later"), [("u8", "u8"), ("u8", "u16")])
def test_down_to_wider_limits_takes_stored_values(earlier: str, later: str, tmp_path: Path) -> None:
    """A unit may hold a value that its later firmware never wrote over, outside the limits there.
    The earlier release can hold it: it comes over, and the exit code says so."""
    schema, unit, made = (tmp_path / n for n in ("scales.toml", "unit.bin", "made.bin"))
    schema.write_text(LIMITED.format(earlier, 100))
    assert 0 == run("freeze", schema).exit_code
    schema.write_text(LIMITED.format(later, 50))
    assert 0 == run("freeze", schema).exit_code
    image = bytearray(packed(schema, 1, "user.level=80").read_bytes())
    label = packed(schema, 2).read_bytes()[:64]
    unit.write_bytes(label + image[64:])
    told = run("migrate", schema, unit, "--to", 1, "-o", made)
    assert (0, True) == (told.exit_code, made.exists()), told.output
    assert "level  80\n" in values(schema, made)


def without_lines(schema: Path, image: Path, first: int, end: int) -> Path:
    """A log of the dump of an image that lost its lines of these addresses."""
    log = schema.with_name("log.txt")
    assert 0 == run("transcribe", schema, image, "-o", log).exit_code
    lines = [line for line in log.read_text().splitlines()
             if not first <= int(line.partition(":")[0], 16) < end]
    log.write_text("\n".join(lines) + "\n")
    return log


@pytest.mark.parametrize(("first", "end", "groups"), [
    (0x20, 0x40, set()),  # the second copy of the label
    (0xD0, 0xE0, {"settings"}),  # where the only record is
    (0x100, 0x110, {"settings"}),  # where a newer one may be
    (0x40, 0x130, {"identity", "settings"}),
    (0x130, 0x140, {"network"}),  # retired
    (0x1C0, 0x1E0, set()),  # free pages
])
def test_bytes_that_were_not_read(schema: Path, first: int, end: int, groups: set[str]) -> None:
    """A dump that lacks bytes of a record may lack the newest one: each value of the group is told,
    with the bytes, and nothing is written without --accept-loss. Other bytes may be missing."""
    log = without_lines(schema, packed(schema, 2, "settings.delay=9"), first, end)
    made = schema.with_name("made.bin")
    refused = run("migrate", schema, log, "--to", 3, "-o", made)
    told = json.loads(run("migrate", schema, log, "--to", 3, "--json").stdout)["values"]
    doubtful = {v["where"].partition(".")[0]: v for v in told if v["outcome"] == "unread"}
    assert groups == set(doubtful)
    assert all("not in the dump" in v["reason"] for v in doubtful.values())
    assert (bool(groups), not groups) == (refused.exit_code == 1, made.exists())
    if groups:
        assert "would be in doubt; read all of the part again, or --accept-loss" in refused.output
    accepted = run("migrate", schema, log, "--to", 3, "-o", made, "--accept-loss")
    assert (0, True) == (accepted.exit_code, made.exists())


def test_a_group_that_is_lost(schema: Path) -> None:
    """Its values were stored, and are told as damaged; what stays of the ring stays as it is, and
    nothing is written without --accept-loss. A torn write beside a whole record is no loss."""
    image, made = packed(schema, 2, "settings.delay=9"), schema.with_name("made.bin")
    content = bytearray(image.read_bytes())
    content[0x108:0x10C] = bytes(4)  # of slot 2, beside the record in slot 0
    image.write_bytes(content)
    torn = run("migrate", schema, image, "--to", 3)
    assert "settings.delay  9 s -> 9000 ms" in torn.stdout
    assert "damaged" not in torn.stdout
    content[0xA8] ^= 1
    image.write_bytes(content)
    refused = run("migrate", schema, image, "--to", 3, "-o", made)
    assert (1, False) == (refused.exit_code, made.exists())
    assert "7 values lost: the group is damaged, and the default is served" in refused.stdout
    assert "settings.delay  5 ms\n" in refused.stdout
    assert "7 stored values would be lost" in refused.output
    accepted = run("migrate", schema, image, "--to", 3, "-o", made, "--accept-loss")
    assert (0, content[0xA0:]) == (accepted.exit_code, made.read_bytes()[0xA0:])


def test_an_image_that_was_cut_short(schema: Path) -> None:
    """The same, also where it is laid out anew; what was read whole is not in doubt."""
    image, made = packed(schema, 2, "settings.delay=9"), schema.with_name("made.bin")
    image.write_bytes(image.read_bytes()[:0xA8])
    refused = run("migrate", schema, image, "--to", 3, "-o", made)
    assert (1, False) == (refused.exit_code, made.exists())
    assert "settings.delay  5 ms  (bytes from 0x00A8 to 0x0124 are" in refused.stdout
    assert "identity" not in refused.stdout
    text = schema.read_text().replace("24LC04B", "24LC16B")
    schema.write_text(text.replace("[store]", "[store]\nseries = 1"))
    assert 0 == run("freeze", schema).exit_code
    anew = run("migrate", schema, image, "--to", 4, "--relayout", "-o", made)
    assert (1, False) == (anew.exit_code, made.exists())
    assert "in doubt" in anew.stdout


def test_an_image_in_the_middle_of_a_file(schema: Path) -> None:
    """A dump of a whole controller, or one that began before the part: `--offset` says where."""
    image = packed(schema, 2, "settings.delay=9")
    file, made = schema.with_name("flash.bin"), schema.with_name("made.bin")
    file.write_bytes(bytes(512) + image.read_bytes())
    result = run("migrate", schema, file, "--to", 3, "--input-offset", "0x200", "-o", made)
    assert 0 == result.exit_code, result.output
    assert "9000 ms" in values(schema, made)
    beyond = run("migrate", schema, file, "--to", 3, "--input-offset", "0x80000")
    assert 1 == beyond.exit_code and "PS626" in beyond.output


def test_damage_is_judged_as_by_unpack(schema: Path) -> None:
    """A commit that was cut loses nothing: a warning and exit code 0, as everywhere."""
    image = packed(schema, 2, "settings.delay=9")
    plan = open_project(read_text(schema)).history.release(2)
    ring = next(r for r in plan.rings if r.group.name == "settings")
    data = bytearray(image.read_bytes())
    data[ring.address(1):ring.address(1) + 4] = b"\x12\x34\x56\x78"
    image.write_bytes(data)
    read, made = run("unpack", schema, image), run("migrate", schema, image, "--to", 3)
    assert 0 == read.exit_code == made.exit_code
    told = [line for line in made.output.splitlines() if ": warning " in line]
    assert told and told[0] in read.output and "settings.delay  9 s -> 9000 ms" in made.stdout


NARROW = """[store]
name = "demo"
part = "24LC04B"

[group.settings]
role = "setting"
writes = "1 per day"

[group.settings.parameter]
a = {{ type = "u8", max = {} }}
"""


def test_a_value_outside_narrowed_limits_goes_back(tmp_path: Path) -> None:
    """A later release with narrower limits serves the default and leaves the stored value on the
    part; back in the release before it is a value as any, and nothing was lost."""
    schema, values, image, later, back = (
        tmp_path / n for n in ("demo.toml", "v.toml", "unit.bin", "later.bin", "back.bin"))
    values.write_text("[settings]\na = 90\n")
    for limit in (100, 50):
        schema.write_text(NARROW.format(limit))
        assert 0 == run("freeze", schema).exit_code
    assert 0 == run("pack", schema, "--values", values, "--release", 1, "-o", image).exit_code
    plan = load_history(schema).release(2)
    twin = TwinRig(plan, bench_for(plan, image.read_bytes()))
    assert (Status.OLDER, Status.OK) == (twin.mount(), twin.format())
    later.write_bytes(bytes(twin.bench.device.memory))
    result = run("migrate", schema, later, "--to", 1, "-o", back)
    assert 0 == result.exit_code, result.output
    assert "warning PS614" in result.output
    told = json.loads(run("migrate", schema, later, "--to", 1, "--json").stdout)
    assert [("settings.a", "kept", "90", "90")] == [
        (v["where"], v["outcome"], v["before"], v["after"]) for v in told["values"]]
    assert "90" in run("unpack", schema, back).stdout
