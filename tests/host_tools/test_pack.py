"""The commands `paramstore pack` and `paramstore unpack`, as a person calls them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from intelhex import IntelHex

from host_tools.main import main

SCHEMAS = Path(__file__).parents[2] / "schemas"
SCHEMA = str(SCHEMAS / "tank_probe.toml")
VALUES = str(SCHEMAS / "tank_probe.values.toml")


def run(*arguments: str | Path, stdin: bytes | None = None) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments], input=stdin)


@pytest.fixture
def packed(tmp_path: Path) -> Path:
    """The image of the shipped values."""
    path = tmp_path / "unit.bin"
    assert 0 == run("pack", SCHEMA, "--values", VALUES, "-o", path).exit_code
    return path


@pytest.mark.parametrize("name", ["tank_probe", "minimal", "large"])
@pytest.mark.parametrize("suffix", ["bin", "hex"])
def test_examples_go_there_and_back(name: str, suffix: str, tmp_path: Path) -> None:
    """Each shipped example packs, unpacks without a finding, and packs to the same image."""
    schema, values = SCHEMAS / f"{name}.toml", SCHEMAS / f"{name}.values.toml"
    first, second, back = (tmp_path / n for n in (f"a.{suffix}", f"b.{suffix}", "back.toml"))
    assert 0 == run("pack", schema, "--values", values, "-o", first).exit_code
    result = run("unpack", schema, first, "-o", back)
    assert (0, "") == (result.exit_code, result.stderr)
    assert 0 == run("pack", schema, "--values", back, "-o", second).exit_code
    assert first.read_bytes() == second.read_bytes()


def test_pack_says_what_it_wrote_and_cautions(tmp_path: Path) -> None:
    """One line on stdout, the caution on stderr."""
    result = run("pack", SCHEMA, "--values", VALUES, "-o", tmp_path / "unit.hex")
    assert f"{tmp_path / 'unit.hex'}: tank_probe on the 24LC32A, 4096 bytes, Intel HEX\n" == (
        result.stdout)
    assert result.stderr.startswith("caution: wrong values can make a module heat")
    assert 2 == len(result.stderr.splitlines())
    assert 4096 == len(IntelHex(str(tmp_path / "unit.hex")).tobinstr())


def test_settings_come_on_top(tmp_path: Path) -> None:
    """--set changes single values, with or without a values file."""
    for values in (["--values", VALUES], []):
        image = tmp_path / "unit.bin"
        assert 0 == run("pack", SCHEMA, *values, "-o", image, "--set", "settings.interval=45 s",
                        "--set", "settings.label=smolt 4").exit_code
        shown = run("unpack", SCHEMA, image).stdout
        assert "  interval     45 s\n" in shown and '  label        "smolt 4"\n' in shown


def test_rounding_is_told(tmp_path: Path) -> None:
    """A value that storage rounds is packed, with a warning and exit code 0."""
    result = run("pack", SCHEMA, "-o", tmp_path / "a.bin", "--set", "settings.ph_low=6.505")
    assert 0 == result.exit_code
    assert "warning PS511: `ph_low` = 6.505 pH is stored as 6.5 pH" in result.output
    assert "-0.005 pH off; the steps are 0.01 pH" in result.stdout


def test_mistakes_leave_no_file(tmp_path: Path) -> None:
    """All mistakes are told and nothing is written."""
    values = tmp_path / "unit.toml"
    values.write_text("[settings]\ninterval = 0\nlable = 'x'\nph_low = 9\n")
    result = run("pack", SCHEMA, "--values", values, "-o", tmp_path / "unit.bin")
    assert (1, "") == (result.exit_code, result.stderr)
    for place, code in (("2:12", "PS506"), ("3:1", "PS502"), ("4:10", "PS510")):
        assert f"{values}:{place}: error {code}: " in result.stdout
    assert ["unit.toml"] == [p.name for p in tmp_path.iterdir()]


def test_an_input_is_never_overwritten(tmp_path: Path, packed: Path) -> None:
    """Neither command writes over a file that it reads."""
    values = tmp_path / "unit.toml"
    values.write_text("")
    result = run("pack", SCHEMA, "--values", values, "-o", values, "--format", "bin")
    assert 2 == result.exit_code
    assert "is an input and stays as it is" in result.stderr
    before = packed.read_bytes()
    assert 2 == run("unpack", SCHEMA, packed, "-o", packed).exit_code
    assert before == packed.read_bytes()


@pytest.mark.parametrize(("arguments", "message"), [
    (["pack", "nowhere.toml", "-o", "x.bin"], "cannot read `nowhere.toml`"),
    (["pack", SCHEMA, "--values", "nowhere.toml", "-o", "x.bin"], "cannot read `nowhere.toml`"),
    (["pack", SCHEMA, "-o", "x.dump"], "the name `x.dump` does not tell the form of the file"),
    (["pack", SCHEMA, "-o", "x.bin", "--format", "elf"], "there is no file form `elf`"),
    (["pack", SCHEMA], "Missing option '-o'"),
    (["unpack", SCHEMA, "nowhere.bin"], "cannot read `nowhere.bin`"),
    (["unpack", SCHEMA, "-", "--input-format", "elf"], "there is no file form `elf`"),
])
def test_what_cannot_run_is_exit_code_2(
    arguments: list[str], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A missing file or an unknown form is told on stderr, with exit code 2."""
    monkeypatch.chdir(tmp_path)
    result = run(*arguments)
    assert (2, "") == (result.exit_code, result.stdout)
    assert message in result.stderr
    assert [] == list(tmp_path.iterdir())


def test_standard_streams(packed: Path) -> None:
    """`-` is stdin and stdout, and the talk moves to stderr."""
    result = run("pack", SCHEMA, "--values", "-", "-o", "-", "--format", "bin",
                 stdin=Path(VALUES).read_bytes())
    assert packed.read_bytes() == result.stdout_bytes
    assert "-: tank_probe on the 24LC32A" in result.stderr
    result = run("unpack", SCHEMA, "-", "--input-format", "bin", "-o", "-",
                 stdin=packed.read_bytes())
    assert result.stdout.startswith("# Values of the store tank_probe.\n")
    assert "slots: # 8 current" in result.stderr


def test_pack_tells_in_json(tmp_path: Path) -> None:
    """--json has what was written, and the warnings."""
    result = run("pack", SCHEMA, "-o", tmp_path / "a.bin", "--set", "settings.ph_low=6.505",
                 "--json")
    data = json.loads(result.stdout)
    assert ("tank_probe", "24LC32A", "bin", 4096, 0, 1) == tuple(
        data[k] for k in ("store", "part", "form", "image_bytes", "errors", "warnings"))


def test_damage_is_exit_code_1(packed: Path) -> None:
    """A dump with a flipped bit shows what it has, says what is wrong, and ends with 1."""
    image = bytearray(packed.read_bytes())
    image[0x0D] ^= 1
    image[0x50] ^= 1
    packed.write_bytes(image)
    result = run("unpack", SCHEMA, packed)
    assert 1 == result.exit_code
    assert "  slots     x#.\n" in result.stdout
    assert "slot 0 at 0x0040: record 1 with one bit changed: bit 0 of 0x0050" in result.stdout
    assert "warning PS606: label copy 0 is damaged" in result.stdout


def test_unpack_tells_in_json(packed: Path) -> None:
    """--json has every value, every slot and the findings."""
    image = bytearray(packed.read_bytes())
    image[0x50] ^= 1
    packed.write_bytes(image)
    result = run("unpack", SCHEMA, packed, "--json")
    data = json.loads(result.stdout)
    assert (1, 1, ["PS661"]) == (
        result.exit_code, data["errors"], [f["code"] for f in data["findings"]])
    groups = {g["name"]: g for g in data["groups"]}
    assert {"slot": 0, "address": 0x40, "state": "damaged", "sequence": None,
            "reason": "record 1 with a wrong CRC"} == groups["identity"]["slots"][0]
    assert ("TP-2601-0042", 3) == tuple(
        groups["identity"]["values"][n]["value"] for n in ("serial", "hardware"))


@pytest.mark.parametrize("content", [b"\xff" * 4096, bytes(4096)])
def test_no_values_file_is_written_from_nothing(content: bytes, tmp_path: Path) -> None:
    """Defaults are never written as if a part had held them."""
    dump = tmp_path / "dump.bin"
    dump.write_bytes(content)
    result = run("unpack", SCHEMA, dump, "-o", tmp_path / "values.toml")
    assert 1 == result.exit_code
    assert "not written, for the dump holds no values of this store" in result.stderr
    assert ["dump.bin"] == [p.name for p in tmp_path.iterdir()]


def test_a_group_without_values_is_told(tmp_path: Path) -> None:
    """By pack, in words and as data, and by unpack; a record of defaults only where asked for."""
    image = tmp_path / "unit.bin"
    bare = run("pack", SCHEMA, "--set", "settings.interval=9", "-o", image)
    assert ("electrode: no values given; left without a record, the firmware serves defaults and "
            "says so\n") in bare.stdout
    assert ("electrode: blank, never written or erased; these are the defaults: the firmware "
            "serves them and says so\n") in run("unpack", SCHEMA, image).stdout
    values = run("unpack", SCHEMA, image, "-o", "-").stdout
    assert ("# electrode: blank, never written or erased; left out", False) == (
        next(line for line in values.split("\n") if "electrode" in line), "ph_slope" in values)
    data = json.loads(run("pack", SCHEMA, "-o", image, "--json").stdout)
    assert (["identity", "factory", "electrode"], []) == (
        data["without_record"], data["defaults_written"])
    wanted = run("pack", SCHEMA, "-o", image, "--write-defaults")
    assert "electrode: no values given; its defaults are written as a record" in wanted.stdout
    assert "electrode: record 2" in run("unpack", SCHEMA, image).stdout


def test_a_group_given_in_part_is_told(tmp_path: Path) -> None:
    """A record that holds defaults among measured values looks like a calibration as a whole."""
    image = tmp_path / "unit.bin"
    told = ("electrode: ph_slope, cell_constant, buffer_temp, buffers, calibrated: no values "
            "given; the record holds their defaults\n")
    in_part = ("--set", "electrode.ph_zero=1.5")
    shown = run("pack", SCHEMA, *in_part, "-o", image).stdout
    assert told in shown and "factory: adc" not in shown
    for command in (("pack", SCHEMA, *in_part, "-o", image),
                    ("write", SCHEMA, *in_part, "--part-file", tmp_path / "part.bin")):
        assert told in run(*command).stdout
        data = json.loads(run(*command, "--json").stdout)
        assert {"electrode": ["ph_slope", "cell_constant", "buffer_temp", "buffers", "calibrated"]
                } == data["defaults_among_values"]
    assert {} == json.loads(run(
        "pack", SCHEMA, "--values", VALUES, "--set", "factory.ec_tempco=2",
        "-o", image, "--json").stdout)["defaults_among_values"]


def test_another_store_is_told(packed: Path) -> None:
    """A dump of another store is named by its label, though its part differs."""
    result = run("unpack", SCHEMAS / "large.toml", packed)
    assert 1 == result.exit_code
    assert "the part holds the store `tank_pro`" in result.stdout


def test_a_spoilt_hex_file_is_refused(tmp_path: Path) -> None:
    """A file that is not whole shows no values at all."""
    path = tmp_path / "unit.hex"
    assert 0 == run("pack", SCHEMA, "--values", VALUES, "-o", path).exit_code
    path.write_text(path.read_text().replace(":00000001FF\n", ""))
    result = run("unpack", SCHEMA, path)
    assert (1, "") == (result.exit_code, result.stderr)
    assert "error PS624: the end record is missing" in result.output


@pytest.mark.parametrize("name", ["pack", "unpack"])
def test_help_begins_with_an_example(name: str) -> None:
    """The first thing help shows is a command line."""
    lines = run(name, "--help").stdout.splitlines()
    assert lines[2].strip().startswith(f"Example: paramstore {name} schemas/tank_probe.toml")
