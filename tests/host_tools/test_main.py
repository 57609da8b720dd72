"""The `paramstore` command: quick, helpful, and the fence between errors and tracebacks."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import click
import pytest
from click.testing import CliRunner, Result

import host_tools.terminal
from host_tools.commands import STAGES, SUMMARIES
from host_tools.main import main
from paramstore.core.errors import Finding, FindingsError, ParamstoreError, ToolError

ROOT = Path(__file__).parents[2]
SCHEMAS = ROOT / "schemas"
HEAVY = {"construct", "jinja2", "bincopy", "tree_sitter", "crcmod", "unicorn", "numpy", "ziglang"}


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments), prog_name="paramstore")


def test_help_begins_with_an_example_and_lists_every_command() -> None:
    """The first thing that help shows is a line to try."""
    result = run("--help")
    assert 0 == result.exit_code
    assert "\n  Example: paramstore " in result.stdout
    assert [n for n in SUMMARIES if f"\n  {n} " not in result.stdout] == []


def test_help_lists_the_commands_by_stage_one_line_each() -> None:
    """Each stage of the work has its heading, and each command one line of at most 80 columns."""
    lines = run("--help").stdout.splitlines()
    assert ["Define", "Release", "Prove", "Produce", "Debug"] == list(STAGES)
    for stage, commands in STAGES.items():
        first = lines.index(f"{stage}:") + 1
        shown = [line.split(maxsplit=1) for line in lines[first:first + len(commands)]]
        assert [list(item) for item in commands.items()] == shown
    assert [line for line in lines if len(line) > 80] == []
    modules = {p.stem for p in (ROOT / "host_tools/commands").glob("[!_]*.py")}
    assert modules == set(SUMMARIES) and len(modules) == sum(map(len, STAGES.values()))


@pytest.mark.parametrize("name", SUMMARIES)
def test_every_command_helps_with_an_example(name: str) -> None:
    """Help of a command begins with an example of it."""
    result = run(name, "--help")
    assert 0 == result.exit_code
    assert f"\n  Example: paramstore {name}" in result.stdout


@pytest.mark.parametrize("arguments", [("--help",), *((n, "--help") for n in SUMMARIES)])
def test_help_loads_nothing_heavy(arguments: tuple[str, ...]) -> None:
    """`--help` is instant because no library that is slow to load is loaded."""
    program = ("import sys\nfrom host_tools.main import main\ntry:\n    main(sys.argv[1:])\n"
               "finally:\n    print(*sys.modules)")
    result = subprocess.run([sys.executable, "-c", program, *arguments], capture_output=True,
                            text=True, check=True, cwd=ROOT)
    loaded = set(result.stdout.splitlines()[-1].split())
    assert "click" in loaded
    assert HEAVY & loaded == set()


def test_version_is_shown() -> None:
    """`--version` names the program, the format of the EEPROM and the Python it runs on."""
    result = run("--version")
    assert ", format version 1, Python " in result.stdout
    assert (0, True) == (result.exit_code, result.stdout.startswith("paramstore "))
    assert f"Python {sys.version.split()[0]}" in result.stdout


@pytest.mark.parametrize(
    ("name", "hint"),
    [("chek", "did you mean `check`?"), ("upack", "did you mean `unpack`?"),
     ("quux", "`paramstore --help` lists them")],
)
def test_unknown_command_gets_a_hint(name: str, hint: str) -> None:
    """A misspelt command is refused with the one that was probably meant."""
    result = run(name)
    assert (2, "") == (result.exit_code, result.stdout)
    assert f"there is no command `{name}`; {hint}" in result.stderr


def with_error(error: BaseException) -> Result:
    """Run a command that fails with `error`."""

    @click.command()
    def command() -> None:
        raise error

    module = SimpleNamespace(command=command)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "host_tools.commands.check", module)
        return run("check")


def test_findings_become_exit_code_1() -> None:
    """Findings are the answer: shown on stdout, and counted."""
    result = with_error(FindingsError([Finding("PS301", "no groups", help="add one")]))
    assert (1, "error PS301: no groups\n  mend  add one\n\n1 error\n", "") == (
        result.exit_code, result.stdout, result.stderr)


def test_tool_errors_become_exit_code_2() -> None:
    """What could not be run is one clear message with help."""
    result = with_error(ToolError("no compiler", "install one"))
    assert (2, "", "error: no compiler\n  mend  install one\n") == (
        result.exit_code, result.stdout, result.stderr)


def test_full_disk_becomes_exit_code_2() -> None:
    """A disk that is full is nobody's bug."""
    result = with_error(OSError(28, "No space left on device"))
    assert (2, "error: no space left for the output\n") == (result.exit_code, result.stderr)


@pytest.mark.parametrize("error", [RuntimeError("bug"), KeyError("bug"), ParamstoreError("bug")])
def test_a_bug_keeps_its_traceback(error: Exception) -> None:
    """Only errors that are meant for people are turned into messages."""
    assert with_error(error).exception is error


def test_colour_only_where_it_is_wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    """NO_COLOR switches colour off, and so does an output that is no terminal."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert "x" != host_tools.terminal.tint("x", "error")
    monkeypatch.setenv("NO_COLOR", "1")
    assert "x" == host_tools.terminal.tint("x", "error")
    monkeypatch.delenv("NO_COLOR")
    assert "\x1b" not in with_error(ToolError("x")).stderr


@pytest.mark.parametrize("arguments", [
    ("check", "BAD"), ("plan", "BAD"), ("freeze", "BAD"), ("generate", "BAD", "-o", "out"),
    ("pack", "BAD", "-o", "a.bin"), ("unpack", "BAD", "GOOD", "--input-format", "bin"),
    ("compare", "GOOD", "BAD"), ("pack", "GOOD", "--values", "BAD", "-o", "a.bin"),
])
def test_findings_are_json_where_json_is_asked_for(
    arguments: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every command tells the mistakes of its inputs as JSON on stdout, and nothing else."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "BAD").write_text("[store]\nname = 'x'\n", "utf-8")
    (tmp_path / "GOOD").write_bytes((SCHEMAS / "minimal.toml").read_bytes())
    result = run(*arguments, "--json")
    assert (1, "") == (result.exit_code, result.stderr)
    data = json.loads(result.stdout)
    assert 0 < data["errors"] == len(data["findings"])
    assert ["BAD", "GOOD"] == sorted(p.name for p in tmp_path.iterdir())


@pytest.mark.parametrize("output", [("-o", "-"), ("--output", "-"), ("--output=-",)])
def test_json_stays_off_a_stdout_that_is_a_file(
    output: tuple[str, ...], tmp_path: Path
) -> None:
    """Whoever waits for an image there does not get findings."""
    (tmp_path / "bad.toml").write_text("", "utf-8")
    result = run("pack", str(tmp_path / "bad.toml"), *output, "--format", "bin", "--json")
    assert (1, "") == (result.exit_code, result.stdout)
    assert json.loads(result.stderr)["errors"]
