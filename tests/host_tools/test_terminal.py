"""What inputs put into texts reaches no terminal raw, in whichever way it gets there."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from host_tools import terminal
from host_tools.main import main

ROOT = Path(__file__).parents[2]
HOSTILE = "\x1b[2J\x1b]0;owned\x07\x9b31m\x85\u2028\u202e\u2066\x1b[8m\x1b[37m"
OURS = re.compile(r"\x1b\[(?:0|1|3[1-6])m")
"""The colours we use; grey, 37, is none, so one that gets through is that of an input."""
FORGED = "a\nerror: none\nb"

SCHEMA = """
[store]
name = "demo"
part = "24LC64"
[group.settings]
role = "setting"
writes = "2 per day"
[group.settings.parameter]
name = { type = "text", size = 60, default = "" }
level = { type = "u8", unit = "%", max = 9 }
mode = { type = "enum", members = ["off", "auto"] }
"""


def run(*arguments: object, color: bool = True) -> Result:
    """Run as on a terminal with colours: nothing is taken off what is said."""
    result = CliRunner().invoke(main, [str(a) for a in arguments], color=color)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def plain(text: str) -> bool:
    """Return whether a text has only line ends, and our colours, beside what prints."""
    return OURS.sub("", text).replace("\n", "").isprintable()


def toml(text: str) -> str:
    return json.dumps(text)


@pytest.fixture
def schema(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "demo.toml"
    path.write_text(SCHEMA, "utf-8")
    return path


@pytest.mark.parametrize("text", [HOSTILE, FORGED])
@pytest.mark.parametrize("json_asked", [(), ("--json",)])
def test_schemas_with_hostile_texts(schema: Path, text: str, json_asked: tuple[str, ...]) -> None:
    """In every key that takes a text, in names, in values, and in keys that are none."""
    lines = [
        f"unit = {toml(text)}", f"doc = {toml(text)}", f"was = {toml(text)}",
        f"type = {toml(text)}", f"default = {toml(text)}", f"{toml(text)} = 1", f"below = "
        f"{toml(text)}"]
    changed = [SCHEMA.replace('unit = "%"', line) for line in lines]
    changed += [SCHEMA.replace('"24LC64"', toml(text)),
                SCHEMA.replace('"24LC64"', f"{{ name = {toml(text)}, maker = {toml(text)} }}"),
                SCHEMA.replace('"demo"', toml(text)), SCHEMA.replace("settings]", f"{toml(text)}]"),
                SCHEMA.replace('"off"', toml(text)), SCHEMA.replace('"2 per day"', toml(text)),
                SCHEMA.replace("level", toml(text)), SCHEMA.replace("unit", "unit" + HOSTILE)]
    for content in changed:
        schema.write_text(content, "utf-8")
        for command in ("check", "plan"):
            result = run(command, schema, *json_asked)
            assert plain(result.stdout) and plain(result.stderr)
            assert "\nerror: none" not in result.stdout + result.stderr


def test_values_with_hostile_texts(schema: Path) -> None:
    """A text of a unit comes back as it was, and is shown by numbers."""
    text = HOSTILE[:40]
    values = Path("values.toml")
    values.write_text(f"[settings]\nname = {toml(text)}\n", "utf-8")
    assert 0 == run("pack", schema, "--values", values, "-o", "unit.bin", "--format",
                    "bin").exit_code
    for command in (("unpack", schema, "unit.bin"), ("unpack", schema, "unit.bin", "--json"),
                    ("unpack", schema, "unit.bin", "-o", "-"), ("examine", schema, "unit.bin"),
                    ("bytes", schema, "unit.bin"), ("differ", schema, "unit.bin", "unit.bin"),
                    ("bytes", schema, "--at", "settings.name"), ("examine", schema, "unit.bin",
                                                                 "--json"),
                    ("salvage", schema, "unit.bin", "-o", "saved.bin")):
        result = run(*command)
        assert plain(result.stdout) and plain(result.stderr), command
    shown = json.loads(run("unpack", schema, "unit.bin", "--json").stdout)
    assert text in json.dumps(shown, ensure_ascii=False).replace("\\u001b", "\x1b").replace(
        "\\u0007", "\x07")
    written = run("unpack", schema, "unit.bin", "-o", "-").stdout
    values.write_text(written, "utf-8")
    assert 0 == run("pack", schema, "--values", values, "-o", "again.bin", "--format",
                    "bin").exit_code
    assert Path("unit.bin").read_bytes() == Path("again.bin").read_bytes()


@pytest.mark.parametrize("name", [HOSTILE, FORGED])
@pytest.mark.parametrize("arguments", [
    ("check", "NAME"), ("pack", "demo.toml", "NAME", "-o", "x.bin"),
    ("unpack", "demo.toml", "NAME"), ("pack", "demo.toml", "-o", "NAME/x.bin"),
    ("pack", "demo.toml", "-o", "NAME.bin"),
    ("pack", "demo.toml", "-o", "NAME"), ("pack", "demo.toml", "--set", "NAME", "-o", "x.bin"),
    ("check", "--explain", "NAME"), ("parts", "NAME"), ("NAME",), ("check", "--NAME"),
    ("generate", "demo.toml", "-o", "NAME"), ("unpack", "demo.toml", "x", "--input-format", "NAME"),
    ("prove", "demo.toml", "--replay", "NAME"), ("compare", "demo.toml", "NAME"),
    ("compare", "NAME", "demo.toml", "--from", "1"), ("units", "--records", "NAME"),
    ("batch", "demo.toml", "NAME"),
    ("batch", "demo.toml", "demo.toml", "--batch", "NAME"), ("bytes", "demo.toml", "--at", "NAME"),
    ("read", "demo.toml", "--part-file", "NAME", "-o", "NAME.bin"),
    ("transcribe", "demo.toml", "NAME", "-o", "x.hex"), ("freeze", "demo.toml", "--note", "NAME"),
])
def test_names_of_files_and_words_of_a_command_line(
    schema: Path, arguments: tuple[str, ...], name: str
) -> None:
    """A file may have any name, and a pattern of the shell finds it."""
    result = run(*(a.replace("NAME", name) for a in arguments))
    assert plain(result.stdout) and plain(result.stderr)
    assert "\nerror: none" not in result.stdout + result.stderr


def test_tables_with_hostile_texts(schema: Path) -> None:
    """In headings, cells and serial numbers."""
    for head, cell in ((HOSTILE, "x"), ("settings.name", HOSTILE), ("settings.level", HOSTILE),
                       ("settings.mode", f"off{HOSTILE}"), (f"settings.level [{HOSTILE}]", "2")):
        Path("units.csv").write_text(f"settings.name,{head}\nA1,{cell}\n", "utf-8")
        for more in ((), ("--json",), ("--serial-parameter", "settings.name")):
            result = run("batch", schema, "units.csv", "-o", "out.tar", *more)
            assert plain(result.stdout) and plain(result.stderr)


def test_only_our_own_colours_stay(capsys: pytest.CaptureFixture[str]) -> None:
    """What conceals, moves or asks is shown, whatever stands around it."""
    terminal.say(terminal.tint("good", "mend") + HOSTILE)
    shown = capsys.readouterr().out
    assert ("good\\x1b[2J\\x1b]0;owned\\x07\\x9b31m\\x85\\u2028\\u202e\\u2066\\x1b[8m\\x1b[37m\n"
            in shown)


def test_a_stream_that_cannot_say_it_all(schema: Path) -> None:
    """Signs that the coding of the output lacks are shown by their numbers; JSON stays JSON."""
    schema.write_text(SCHEMA.replace('"%"', '"µΩ"'), "utf-8")
    for coding in ("ascii", "latin-1"):
        for more in ((), ("--json",)):
            done = subprocess.run(
                [sys.executable, "-m", "host_tools.start", "plan", schema, "--fields", *more],
                capture_output=True, cwd=ROOT, env={**os.environ, "PYTHONIOENCODING": coding},
                check=True)
            assert b"" == done.stderr or b"Traceback" not in done.stderr
            if more:
                assert "µΩ" in json.dumps(json.loads(done.stdout), ensure_ascii=False)


def on_a_terminal(*arguments: str, cwd: Path) -> tuple[int, bytes]:
    """Run with a terminal as stdout and stderr; return the exit code and what it got."""
    own, others = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "host_tools.start", *arguments], stdout=others, stderr=others,
        cwd=cwd, env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm"})
    os.close(others)
    seen = b""
    while True:
        try:
            part = os.read(own, 4096)
        except OSError:  # that is how Linux tells that the other end has gone
            break
        if not part:
            break
        seen += part
    os.close(own)
    return process.wait(), seen


def test_a_terminal_gets_no_bytes_of_a_file(schema: Path, tmp_path: Path) -> None:
    """`-o -` on a terminal is refused where it would obey what comes; a text is shown."""
    assert 0 == run("pack", schema, "-o", "unit.bin", "--format", "bin").exit_code
    code, seen = on_a_terminal("pack", "demo.toml", "-o", "-", "--format", "bin", cwd=tmp_path)
    assert (2, True) == (code, b"a terminal would obey some of these bytes" in seen)
    code, seen = on_a_terminal("unpack", "demo.toml", "unit.bin", "-o", "-", cwd=tmp_path)
    assert (0, True) == (code, b"level = 0  # %" in seen)


def test_errors_of_click_are_said_likewise(monkeypatch: pytest.MonkeyPatch) -> None:
    """They quote the command line, too."""
    seen: list[str] = []
    monkeypatch.setattr(click, "echo", lambda text="", **_: seen.append(text))
    assert 2 == terminal.show_error(click.BadParameter(f"no {HOSTILE}"))
    assert ["Error: Invalid value: no \\x1b[2J\\x1b]0;owned\\x07\\x9b31m\\x85\\u2028"
            "\\u202e\\u2066\\x1b[8m\\x1b[37m\n"] == seen


GREY = "g\x1b[37m\x1b[1m\x1b[0mx"
"""Colours, as our own look: on a terminal they must not be obeyed, beside it not cut out."""


@pytest.mark.parametrize("arguments", [
    ("unpack", "demo.toml", "NO"), ("unpack", "demo.toml", "short-NAME"),
    ("unpack", "demo.toml", "torn-NAME"), ("examine", "demo.toml", "torn-NAME"),
    ("check", "NAME.toml"), ("check", "NO"), ("plan", "NAME.toml"), ("freeze", "NAME.toml"),
    ("generate", "demo.toml", "-o", "NAME.txt/x"), ("pack", "demo.toml", "-o", "NAME.txt"),
    ("pack", "demo.toml", "NO", "-o", "x.bin"), ("pack", "demo.toml", "--values", "NAME.toml", "-o",
                                                 "x.bin"),
    ("batch", "demo.toml", "NAME.csv", "--serial-parameter", "settings.name"),
    ("bytes", "demo.toml", "NO"),
    ("differ", "demo.toml", "unit-NAME", "NO"), ("salvage", "demo.toml", "NO", "-o", "x.bin"),
    ("bytes", "demo.toml", "--at", "NAME"), ("compare", "demo.toml", "NAME.toml"),
    ("transcribe", "demo.toml", "torn-NAME", "-o", "s-NAME.hex"),
    ("migrate", "demo.toml", "NO", "--to", "NAME"), ("units", "--records", "NO"), ("parts", "NAME"),
    ("write", "demo.toml", "unit-NAME", "--part-file", "new-NAME.bin"),
    ("read", "demo.toml", "--part-file", "NO", "-o", "r-NAME.bin"),
    ("read", "demo.toml", "--part-file", "unit-NAME", "-o", "NO/r.bin"),
    ("verify", "demo.toml", "unit-NAME", "--part-file", "NO"),
    ("erase", "demo.toml", "--part-file", "unit-NAME"), ("prove", "demo.toml", "--replay", "NO"),
    ("calibrate", "demo.toml", "NAME.toml", "NAME.csv"), ("tour", "NAME.toml"),
    ("NAME",), ("check", "--NAME"), ("unpack", "demo.toml", "unit-NAME", "--input-format", "NAME"),
], ids=" ".join)
def test_no_colour_of_an_input_is_obeyed(schema: Path, arguments: tuple[str, ...]) -> None:
    """Names of files, given or found in the folder, in errors, findings, sums and reports."""
    assert 0 == run("pack", schema, "-o", f"unit-{GREY}", "--format", "bin").exit_code
    image = Path(f"unit-{GREY}").read_bytes()
    Path(f"torn-{GREY}").write_bytes(image[:3] + b"\0" + image[4:])
    Path(f"short-{GREY}").write_bytes(image[:100])
    Path(f"{GREY}.toml").write_text(f"[store]\nname = 1\n{toml(GREY)} = 2\n", "utf-8")
    Path(f"{GREY}.csv").write_text(f"settings.name,{GREY}\n1,2\n", "utf-8")
    Path(f"{GREY}.txt").write_text("", "utf-8")
    words = [a.replace("NAME", GREY).replace("NO", f"unot-{GREY}") for a in arguments]
    code, seen = on_a_terminal(*words, cwd=schema.parent)
    assert code in (0, 1, 2) and b"Traceback" not in seen
    assert b"\x1b[37m" not in seen, seen
    assert b"g\\x1b[37m\\x1b[1m\\x1b[0mx" in seen.replace(b"\r\n", b""), seen
    beside = run(*words, color=False)
    assert "\x1b" not in beside.output
