"""Commands on fixed layouts: the verbs of stores, on bytes that paramstore did not write."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.files.forms import FORMS, WriteOptions, encode_image, read_dump
from tests.goldens import golden
from tests.schema.fixed.legacy import legacy

ROOT = Path(__file__).parents[2]
EDID = ROOT / "schemas" / "edid.fixed.toml"
DATA = ROOT / "tests" / "data"
GOLDEN = Path(__file__).parent / "golden"


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture
def dump(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A real block beside its schema, under names without a folder."""
    monkeypatch.chdir(tmp_path)
    Path("edid.toml").write_text(EDID.read_text("utf-8"), "utf-8")
    path = Path("unit.bin")
    path.write_bytes((DATA / "edid-sun-gh19ps.bin").read_bytes())
    return path


@pytest.mark.parametrize(("name", "words"), [
    ("examine", ("examine", "edid.toml", "unit.bin")),
    ("bytes", ("bytes", "edid.toml", "unit.bin", "--at", "0x12..0x5F")),
    ("locate", ("bytes", "edid.toml", "--at", "58", "--at", "0x3A.6", "--at", "product.maker",
                "--at", "timing.h_active", "--at", "established.timings.w640_h480_60", "--at",
                "block.sum")),
    ("locate_dump", ("bytes", "edid.toml", "unit.bin", "--at", "58", "--at", "0x3A.6", "--at",
                     "127", "--at", "timing.h_active")),
    ("plan", ("plan", "edid.toml")),
    ("check", ("check", "edid.toml")),
])
def test_what_is_shown(name: str, words: tuple[str, ...], dump: Path) -> None:
    """Reports of a fixed layout are those that were read and approved."""
    result = run(*words)
    assert golden(GOLDEN / f"fixed_{name}.txt", result.output) == result.output
    assert 0 == result.exit_code


def test_unpack_gives_values_that_differ_reads(dump: Path) -> None:
    """What unpack writes is what the dump holds, and TOML that is read again."""
    assert 0 == run("unpack", "edid.toml", dump, "-o", "values.toml").exit_code
    same = run("differ", "edid.toml", dump, "--values", "values.toml")
    assert (0, "no difference\n") == (same.exit_code, same.stdout)


def test_differ_by_parameter_and_byte(dump: Path) -> None:
    """A change of one split value is told as such, with its bytes and the checksum."""
    data = bytearray(dump.read_bytes())
    data[58] += 0x10
    data[127] -= 0x10
    Path("other.bin").write_bytes(data)
    result = run("differ", "edid.toml", dump, "other.bin", "--bytes")
    assert 1 == result.exit_code
    assert [
        "Parameters", "  timing_1.h_active  1280 px -> 1536 px", "", "Bytes",
        "  0003A  timing_1.h_active, timing_1.h_blank", "    51 -> 61",
        "  0007F  block.sum", "    21 -> 11",
    ] == result.stdout.splitlines()


def test_differ_tells_a_wrong_checksum(dump: Path) -> None:
    """Where only the checksum differs the values are equal, which is not no difference."""
    data = bytearray(dump.read_bytes())
    data[127] ^= 1
    Path("other.bin").write_bytes(data)
    result = run("differ", "edid.toml", dump, "other.bin")
    assert 1 == result.exit_code and result.stdout.endswith(
        "\nvalues equal, bytes differ at 0x007F (block.sum): --bytes shows them\n")
    assert "PS670" in result.output and "PS670" in run("bytes", "edid.toml", "other.bin").output
    same = run("differ", "edid.toml", "other.bin", "other.bin")
    assert 0 == same.exit_code and same.stdout.endswith("\nno difference\n")


def test_broken_dump_has_findings(dump: Path) -> None:
    """A wrong checksum, a wrong constant and values outside their limits are told, exit code 1."""
    data = bytearray(dump.read_bytes())
    data[0], data[19], data[16] = 1, 9, 60
    dump.write_bytes(data)
    result = run("examine", "edid.toml", dump, "--json")
    assert 1 == result.exit_code
    codes = [f["code"] for f in json.loads(result.stdout)["findings"]]
    assert ["PS614", "PS614", "PS670", "PS671"] == sorted(codes)


def test_folder_finds_the_layout(dump: Path) -> None:
    """Among schemas of stores and layouts the constants and checksums tell."""
    result = run("examine", ROOT / "schemas", dump)
    assert 0 == result.exit_code
    assert "PS672" in result.stdout and "GH19PS" in result.stdout
    dump.write_bytes(bytes(128))
    refused = run("examine", ROOT / "schemas", dump).output
    assert "PS657" in refused and "fixed layouts: `" in refused


def test_folder_finds_the_layout_of_a_damaged_dump(dump: Path) -> None:
    """Constants alone tell where a checksum is wrong and nothing else fits."""
    image = bytearray(dump.read_bytes())
    image[20] ^= 1
    dump.write_bytes(image)
    result = run("examine", ROOT / "schemas", dump)
    assert 1 == result.exit_code
    assert "PS670" in result.stdout and "GH19PS" in result.stdout
    assert "its constants are right, but not every checksum" in result.stdout


@pytest.mark.parametrize("size", [0, 1, 19, 20, 54, 127, 129, 4096])
@pytest.mark.parametrize("command", ["examine", "unpack", "bytes"])
def test_any_size_is_read(command: str, size: int, dump: Path) -> None:
    """Short and long dumps give what they hold, never a traceback."""
    dump.write_bytes((dump.read_bytes() * 32)[:size])
    result = run(command, "edid.toml", dump)
    assert (0 if size >= 128 else 1) == result.exit_code or command == "bytes", result.output


def test_dump_at_an_address(dump: Path) -> None:
    """An image in the middle of a file with addresses is found, or where --offset says."""
    path = Path("unit.hex")
    path.write_bytes(encode_image(dump.read_bytes(), FORMS["hex"], WriteOptions(0x8000)))
    found = run("examine", "edid.toml", path)
    assert (0, True) == (found.exit_code, "PS651" in found.stdout)
    said = run("examine", "edid.toml", path, "--input-offset", "0x8000")
    assert (0, False) == (said.exit_code, "PS651" in said.stdout)


@pytest.mark.parametrize("command", ["generate", "freeze", "salvage", "transcribe", "pack"])
def test_what_a_fixed_layout_cannot(command: str, dump: Path) -> None:
    """Commands that need a store say so, and name those that do not."""
    more = {"generate": ("-o", "out"), "freeze": (), "salvage": (dump, "-o", "x.bin"),
            "transcribe": (dump, "-o", "x.txt"), "pack": ("-o", "x.bin")}[command]
    result = run(command, "edid.toml", *more)
    assert (1, True) == (result.exit_code, "PS110" in result.output)


def test_locate_does_not_guess_among_schemas(dump: Path) -> None:
    """A place in a folder of schemas means nothing until a dump says which it is."""
    assert 2 == run("bytes", ROOT / "schemas", "--at", "0x10").exit_code
    found = run("bytes", ROOT / "schemas", dump, "--at", "0x10")
    assert (0, True) == (found.exit_code, "product.week" in found.stdout)


@pytest.mark.parametrize("words", [("unpack", "edid.toml", "unit.bin", "--release", "1"),
                                   ("plan", "edid.toml", "--release", "1"),
                                   ("differ", "edid.toml", "unit.bin", "--values", "a.toml",
                                    "--bytes")])
def test_options_without_a_meaning_are_refused(words: tuple[str, ...], dump: Path) -> None:
    """Nothing is ignored silently."""
    Path("a.toml").write_text("")
    assert 2 == run(*words).exit_code


def test_json_has_everything(dump: Path) -> None:
    """Plan and contents as data: places of split values, and physical values."""
    plan = json.loads(run("plan", "edid.toml", "--json").stdout)
    timing = next(g for g in plan["groups"] if g["name"] == "timing_1")
    active = next(p for p in timing["parameters"] if p["name"] == "h_active")
    assert [[{"address": 58, "low": 4, "width": 4}, {"address": 56, "low": 0, "width": 8}]] == (
        active["elements"])
    found = json.loads(run("examine", "edid.toml", dump, "--json").stdout)
    values = next(g for g in found["groups"] if g["name"] == "timing_1")["values"]
    assert ("px", 1280, [1280], []) == tuple(
        values["h_active"][k] for k in ("unit", "value", "raw", "wrong"))


# ---- Into a store -------------------------------------------------------------------------------

LEGACY = ROOT / "schemas" / "tank_probe.fixed.toml"
STORE = ROOT / "schemas" / "tank_probe.toml"


def test_the_dump_that_ships_is_what_struct_makes() -> None:
    """The example dump of the legacy layout was not made with the layout."""
    found = read_dump((ROOT / "schemas" / "tank_probe.fixed.txt").read_bytes(), "a.txt", None)
    assert legacy() == b"".join(run.data for run in found.runs)


def test_migrate_takes_a_dump_into_a_store(tmp_path: Path) -> None:
    """The new image unpacks without a finding, and each value that came over is told."""
    image = tmp_path / "new.hex"
    result = run("migrate", STORE, ROOT / "schemas" / "tank_probe.fixed.txt", "--layout", LEGACY,
                 "-o", image)
    assert 0 == result.exit_code, result.output
    assert "settings.interval  5 min -> 300 s" in result.stdout
    assert "1 value left behind" in result.stdout
    unpacked = run("unpack", STORE, image)
    assert (0, "") == (unpacked.exit_code, unpacked.stderr)
    assert 'label        "basin 3"' in unpacked.stdout


def test_migrate_refuses_to_lose_values(tmp_path: Path) -> None:
    """A value that does not fit stops the image, unless the loss is accepted."""
    dump, image = tmp_path / "dump.bin", tmp_path / "new.bin"
    dump.write_bytes(legacy(interval=90))
    words = ("migrate", STORE, dump, "--layout", LEGACY, "-o", image)
    refused = run(*words, "--json")
    assert (1, False) == (refused.exit_code, image.exists())
    data = json.loads(refused.stdout)
    (unfit,) = [v for v in data["values"] if v["outcome"] == "unfit"]
    assert ("settings.interval", "90 min", "10 s") == tuple(
        unfit[k] for k in ("where", "before", "after"))
    assert ("tank_probe_legacy", None) == (data["layout"], data["output"])
    assert (0, True) == (run(*words, "--accept-loss").exit_code, image.exists())


@pytest.mark.parametrize("dump", [b"", b"\xff" * 60, legacy(magic=0), legacy()[:59]],
                         ids=["empty", "blank", "other", "short"])
def test_migrate_takes_nothing_from_another_dump(dump: bytes, tmp_path: Path) -> None:
    """A dump that is not of the layout, or not all there, gives no store."""
    path = tmp_path / "dump.bin"
    path.write_bytes(dump)
    result = run("migrate", STORE, path, "--layout", LEGACY, "-o", tmp_path / "new.bin")
    assert result.exit_code in (1, 2) and not (tmp_path / "new.bin").exists()


@pytest.mark.parametrize("more", [("--layout", LEGACY, "--from", "1"), (),
                                  ("--layout", LEGACY, "--relayout")])
def test_migrate_refuses_what_has_no_meaning(more: tuple[object, ...], tmp_path: Path) -> None:
    """Options that do not go together, and a release that nobody named."""
    path = tmp_path / "dump.bin"
    path.write_bytes(legacy())
    assert 2 == run("migrate", STORE, path, *more).exit_code


def test_pages_are_written(dump: Path) -> None:
    """`--html` makes a page of the layout, and of a dump of it; `-` is stdout."""
    assert 0 == run("examine", "edid.toml", dump, "--html", "dump.html").exit_code
    assert "GH19PS" in Path("dump.html").read_text("utf-8")
    plan = run("plan", "edid.toml", "--html", "-")
    assert (0, True) == (plan.exit_code, plan.stdout.startswith("<!DOCTYPE html>"))


PROBE = ROOT / "schemas" / "tank_probe.fixed.toml"


def test_plan_tells_what_values_may_be() -> None:
    """Limits of floats, members and the number for no value stand in the plan and on its page;
    groups and what is in them come by address."""
    shown = run("plan", PROBE).stdout
    rows = [line.split() for line in shown.splitlines() if line.startswith("0x")]
    told = {row[row.index(next(w for w in row if w[0].islower() and "." in w))]: " ".join(row)
            for row in rows}
    assert told["calibration.cell_constant"].endswith("0.05 to 20 1/cm")
    assert told["identity.variant"].endswith("enum sweet, brackish, salt")
    assert told["calibration.reference"].endswith("0xFFFF for none")
    groups = list(dict.fromkeys(name.partition(".")[0] for name in told))
    assert ["head", "identity", "display", "calibration", "settings", "counters"] == groups
    page = run("plan", PROBE, "--html", "-").stdout
    assert "0.05 to 20 1/cm" in page and "0xFFFF for none" in page


def test_values_under_a_wrong_checksum_are_marked(tmp_path: Path) -> None:
    """A value that keeps its limits is no sound one where the checksum over it is wrong."""
    dump = tmp_path / "unit.bin"
    dump.write_bytes(legacy())
    marks = (("examine", PROBE, dump), ("bytes", PROBE, dump),
             ("examine", PROBE, dump, "--html", "-"))
    assert [False] * 3 == ["under a wrong checksum" in run(*words).stdout for words in marks]
    data = bytearray(legacy())
    data[33] ^= 1
    dump.write_bytes(data)
    for words in marks:
        assert "under a wrong checksum" in run(*words).stdout
    assert "within limits" not in run(*marks[2]).stdout
    group = json.loads(run("examine", PROBE, dump, "--json").stdout)["groups"][0]
    assert [True] * 2 == [v["under_wrong_checksum"] for v in group["values"].values()]


def test_text_of_an_encoding(tmp_path: Path) -> None:
    """A text in Latin-1 is read as such, its letters kept in a values file and taken into a store;
    read as UTF-8 it is left out of the values file, and no other character takes its place."""
    dump, schema, values = (tmp_path / n for n in ("unit.bin", "probe.toml", "values.toml"))
    dump.write_bytes(legacy(label="bec f\u00fcnf\u00fc\u00fc\u00fc\u00fc".encode("latin-1")))
    assert 1 == run("unpack", PROBE, dump, "-o", values).exit_code
    written = values.read_text("utf-8")
    assert "# label is left out: it is no UTF-8 text\n" in written and "\ufffd" not in written
    plain = PROBE.read_text("utf-8")
    schema.write_text(plain.replace("fill = 0x20", 'fill = 0x20, encoding = "latin-1"'), "utf-8")
    assert 0 == run("unpack", schema, dump, "-o", values).exit_code
    assert 'label = "bec f\u00fcnf\u00fc\u00fc\u00fc\u00fc"' in values.read_text("utf-8")
    assert "no difference\n" == run("differ", schema, dump, "--values", values).stdout
    adopted = run("migrate", ROOT / "schemas" / "tank_probe.toml", dump, "--layout", schema)
    assert "no UTF-8" not in adopted.output
    schema.write_text(plain.replace("fill = 0x20", 'fill = 0x20, encoding = "latin1"'), "utf-8")
    refused = run("check", schema)
    assert 1 == refused.exit_code and "PS360" in refused.output and "`latin-1`" in refused.output


def test_bytes_that_a_dump_lacks_are_not_read_as_values(dump: Path) -> None:
    """A log without a line is examined with exit code 1; what stood there is said to be missing."""
    data = dump.read_bytes()
    Path("log.txt").write_text("\n".join(
        f"{at:04X}: {data[at:at + 16].hex(' ')}" for at in range(0, len(data), 16) if at != 0x30))
    result = run("examine", "edid.toml", "log.txt")
    assert 1 == result.exit_code
    assert "PS603" in result.output and "not in the dump" in result.output
    shown = run("bytes", "edid.toml", "log.txt", "--at", "0x30..0x3F").stdout
    assert "-- --" in shown and " FF" not in shown
    assert "  not in the dump" in run("bytes", "edid.toml", "log.txt", "--at", "58").stdout
    assert "cannot be checked: the dump lacks bytes of its range\n" in result.stdout


def test_a_part_of_a_value_that_is_not_whole(tmp_path: Path) -> None:
    """Bytes that are in the dump are shown, although the value they belong to is not whole."""
    data, log = legacy(), tmp_path / "log.txt"
    log.write_text("\n".join(f"{at:04X}: {data[at:at + 4].hex(' ')}"
                             for at in range(0, 60, 4) if at != 4))
    shown = run("bytes", LEGACY, log, "--at", "identity.serial[0]", "--at", "identity.serial[8]",
                "--at", "head.crc").stdout.splitlines()
    assert ["  identity  0x0004  not in the dump",
            "  identity  0x000C  32; not all of serial is in the dump",
            "  head  0x003A to 0x003B  cannot be checked: the dump lacks bytes of its range",
            ] == shown[-5::2]


def test_a_migration_of_a_dump_with_gaps_is_refused(tmp_path: Path) -> None:
    """Values that were not read would be lost, and nothing is written unless that is accepted."""
    data, log, out = legacy(), tmp_path / "log.txt", tmp_path / "new.bin"
    log.write_text("\n".join(f"{at:04X}: {data[at:at + 16].hex(' ')}"
                             for at in range(0, len(data), 16) if at != 0x20))
    schemas = ROOT / "schemas"
    words = ("migrate", schemas / "tank_probe.toml", log, "--layout",
             schemas / "tank_probe.fixed.toml", "-o", out)
    result = run(*words)
    assert 1 == result.exit_code and not out.exists(), result.output
    assert "its bytes are not in the dump" in result.output
    assert 0 == run(*words, "--accept-loss").exit_code and out.exists()
