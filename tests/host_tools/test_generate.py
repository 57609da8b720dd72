"""`paramstore generate`: what is written, what is left alone, what is never overwritten."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.firmware.generate import port_files, runtime_files
from paramstore.verify.rig.toolchain import WARNINGS, find_compiler, zig_compiler

SCHEMAS = Path(__file__).parents[2] / "schemas"
MINIMAL = str(SCHEMAS / "minimal.toml")


def generate(*words: str) -> Result:
    """Run the command."""
    return CliRunner().invoke(main, ["generate", *words], catch_exceptions=False)


def test_what_was_written_is_told(tmp_path: Path) -> None:
    """Each file on stdout, how to go on on stderr; they compile as they lie there."""
    result = generate(MINIMAL, "-o", str(tmp_path / "params"))
    assert 0 == result.exit_code
    names = ["dimmer_params.h", "dimmer_params.c", "paramstore.c", "paramstore.h"]
    told = [f"{tmp_path / 'params' / name}: written" for name in names]
    assert told == result.stdout.splitlines()
    assert 'in your firmware: #include "dimmer_params.h"\n' == result.stderr
    assert set(names) == {p.name for p in (tmp_path / "params").iterdir()}
    for source in (tmp_path / "params").glob("*.c"):
        find_compiler().object(source, tmp_path / "x.o", WARNINGS)


def test_ports_come_when_asked_for_and_the_runtime_unless_not(tmp_path: Path) -> None:
    """Each file has its switch."""
    assert 0 == generate(MINIMAL, "-o", str(tmp_path), "--no-runtime", "--ports").exit_code
    expected = {"dimmer_params.h", "dimmer_params.c", *port_files()}
    assert expected == {p.name for p in tmp_path.iterdir()}
    assert not expected & set(runtime_files())
    assert 0 == generate(MINIMAL, "-o", str(tmp_path), "--no-runtime", "--linux-port").exit_code
    assert expected | {"linux_i2cdev.c", "linux_i2cdev.h"} == {p.name for p in tmp_path.iterdir()}


def test_every_c_file_builds_on_bare_metal(tmp_path: Path) -> None:
    """A build of `*.c` for a controller without a system, C library or headers of one."""
    assert 0 == generate(MINIMAL, "-o", str(tmp_path), "--ports").exit_code
    compiler = zig_compiler()
    assert compiler is not None
    sources = sorted(tmp_path.glob("*.c"))
    assert ["bitbang.c", "dimmer_params.c", "paramstore.c"] == [s.name for s in sources]
    for source in sources:
        compiler.object(source, tmp_path / "x.o", (
            "-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus", *WARNINGS))


def test_a_second_run_touches_nothing(tmp_path: Path) -> None:
    """A build system sees no change where there is none."""
    generate(MINIMAL, "-o", str(tmp_path), "--ports")
    before = {p.name: p.stat().st_mtime_ns for p in tmp_path.iterdir()}
    result = generate(MINIMAL, "-o", str(tmp_path), "--ports", "--json")
    assert {"unchanged"} == {f["action"] for f in json.loads(result.stdout)["files"]}
    assert before == {p.name: p.stat().st_mtime_ns for p in tmp_path.iterdir()}


def test_own_files_are_written_anew(tmp_path: Path) -> None:
    """A generated file follows its schema, whoever changed it meanwhile."""
    generate(MINIMAL, "-o", str(tmp_path))
    header = tmp_path / "dimmer_params.h"
    good = header.read_text("utf-8")
    header.write_text(good + "/* mine */\n", "utf-8")
    result = generate(MINIMAL, "-o", str(tmp_path), "--json")
    actions = {Path(f["file"]).name: f["action"] for f in json.loads(result.stdout)["files"]}
    assert {"dimmer_params.h": "written", "dimmer_params.c": "unchanged",
            "paramstore.c": "unchanged", "paramstore.h": "unchanged"} == actions
    assert good == header.read_text("utf-8")


@pytest.mark.parametrize(("name", "content"), [
    ("dimmer_params.h", b"#define MINE\n"),
    ("paramstore.c", b""),
    ("paramstore.h", b"\xff\xfe\x00"),
    ("bitbang.c", b"/* bitbang.c: see bitbang.h. Changed for my board. */\n"),
])
def test_files_of_others_are_not_overwritten(name: str, content: bytes, tmp_path: Path) -> None:
    """One foreign file stops everything before the first byte is written, unless forced."""
    (tmp_path / name).write_bytes(content)
    result = generate(MINIMAL, "-o", str(tmp_path), "--ports")
    assert 2 == result.exit_code
    assert f"`{tmp_path / name}` would be overwritten" in result.stderr
    assert "--force" in result.stderr
    assert [name] == [p.name for p in tmp_path.iterdir()]
    assert content == (tmp_path / name).read_bytes()
    assert 0 == generate(MINIMAL, "-o", str(tmp_path), "--ports", "--force").exit_code
    assert content != (tmp_path / name).read_bytes()


def test_a_port_that_was_changed_is_kept(tmp_path: Path) -> None:
    """Ports are there to be changed: a new run does not take the changes away."""
    generate(MINIMAL, "-o", str(tmp_path), "--ports")
    port = tmp_path / "bitbang.c"
    port.write_text(port.read_text("utf-8") + "/* mine */\n", "utf-8")
    assert 2 == generate(MINIMAL, "-o", str(tmp_path), "--ports").exit_code
    assert 0 == generate(MINIMAL, "-o", str(tmp_path)).exit_code
    assert port.read_text("utf-8").endswith("/* mine */\n")


def test_a_schema_with_mistakes_writes_nothing(tmp_path: Path) -> None:
    """Exit code 1, and no folder."""
    schema = tmp_path / "wrong.toml"
    schema.write_text("[store]\nname = 'x'\n", "utf-8")
    assert 1 == generate(str(schema), "-o", str(tmp_path / "out")).exit_code
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("words", [["no-such.toml", "-o", "out"], [MINIMAL]])
def test_what_cannot_run_ends_with_2(words: list[str]) -> None:
    """A missing schema, a missing option."""
    assert 2 == generate(*words).exit_code


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """No traceback where a file stands in the way."""
    (tmp_path / "file").write_text("", "utf-8")
    result = generate(MINIMAL, "-o", str(tmp_path / "file"))
    assert 2 == result.exit_code
    assert f"`{tmp_path / 'file'}` is a file\n  mend  give the name of a folder" in result.stderr


def test_names_that_meet_in_c_are_findings(tmp_path: Path) -> None:
    """A schema that is right but cannot become C ends with 1 and both places."""
    schema = tmp_path / "meet.toml"
    schema.write_text("""[store]
name = "unit"
part = "24LC32A"
[group.a]
role = "setting"
writes = "1 per day"
[group.a.parameter]
b_c = { type = "u8" }
[group.a_b]
role = "setting"
writes = "1 per day"
[group.a_b.parameter]
c = { type = "u8" }
""", "utf-8")
    result = generate(str(schema), "-o", str(tmp_path / "out"))
    assert 1 == result.exit_code
    assert "PS701" in result.output and ":13:1" in result.output
    assert not (tmp_path / "out").exists()


def test_schema_from_standard_input(tmp_path: Path) -> None:
    """`-` reads the schema there, and gives the same files."""
    text = Path(MINIMAL).read_text("utf-8")
    result = CliRunner().invoke(main, ["generate", "-", "-o", str(tmp_path / "a")], input=text)
    assert 0 == result.exit_code
    generate(MINIMAL, "-o", str(tmp_path / "b"))
    for path in (tmp_path / "b").iterdir():
        assert path.read_bytes() == (tmp_path / "a" / path.name).read_bytes()


@pytest.mark.parametrize("name", ["unit.bin", "-", "params.c"])
def test_the_name_of_a_file_is_no_folder(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder that is called like an image would only puzzle."""
    monkeypatch.chdir(tmp_path)
    result = generate(MINIMAL, "-o", name)
    assert (2, "") == (result.exit_code, result.stdout)
    assert f"`{name}` is no name for a folder" in result.stderr
    assert [] == list(tmp_path.iterdir())


def test_advice_about_the_layout_is_left_to_check_and_plan(tmp_path: Path) -> None:
    """A build does not repeat it each time."""
    schema = tmp_path / "a.toml"
    schema.write_text(Path(MINIMAL).read_text("utf-8").replace('day"', 'day"\nslots = 2'), "utf-8")
    assert "PS422" not in generate(str(schema), "-o", str(tmp_path / "out")).output
    assert "PS422" in CliRunner().invoke(main, ["check", str(schema)]).output


def test_a_field_without_conversions_is_told(tmp_path: Path) -> None:
    """A scaled integer whose decimal numbers do not fit in 64 bits: a warning, and the files."""
    schema = tmp_path / "meter.toml"
    schema.write_text(Path(MINIMAL).read_text("utf-8") + """
energy = { type = "u64", scale = 0.5, unit = "Wh" }
""", "utf-8")
    result = generate(str(schema), "-o", str(tmp_path / "c"))
    assert 0 == result.exit_code
    assert "warning PS703: `" in result.output and ".energy` gets no conversion" in result.output
    assert (tmp_path / "c" / "dimmer_params.h").exists()
