"""One vocabulary: an option means the same wherever it stands; every report has JSON."""

from __future__ import annotations

import importlib
import re
from collections import defaultdict
from pathlib import Path

import click
import pytest

from host_tools.commands import SUMMARIES

ROOT = Path(__file__).parents[2]
COMMANDS: dict[str, click.Command] = {
    name: importlib.import_module(f"host_tools.commands.{name}").command for name in SUMMARIES}


def _shared() -> dict[str, list[tuple[str, click.Option]]]:
    """Return the options that more than one command has, by their long names."""
    found = defaultdict(list)
    for name, command in COMMANDS.items():
        for option in command.params:
            if isinstance(option, click.Option):
                found[option.opts[-1]].append((name, option))
    return {name: where for name, where in found.items() if len(where) > 1}


def _table() -> dict[str, str]:
    """Return the options of the table in DEVELOPERS.md, each with its value."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    part = text.split("## Options of the commands", 1)[1].split("\n## ", 1)[0]
    cells = [line.split("|")[1] for line in part.splitlines() if line.startswith("| `")]
    shown = [s.split() for cell in cells for s in re.findall(r"`([^`]*)`", cell)]
    words = [[w for w in s if not w.startswith("-o")] for s in shown]
    return {w[0]: w[1] if len(w) > 1 else "" for w in words}


def test_the_table_has_the_options_that_commands_share() -> None:
    """DEVELOPERS.md names each of them, and no other, with the value it takes."""
    values = {name: next(o.metavar or "" for _, o in where) for name, where in _shared().items()}
    assert values == _table()


@pytest.mark.parametrize("name", sorted(_shared()))
def test_a_shared_option_takes_the_same_everywhere(name: str) -> None:
    """Type, value and place in the command are the same; only what is made is said anew."""
    options = [option for _, option in _shared()[name]]
    assert 1 == len({(type(o.type), o.metavar, o.is_flag, o.multiple, tuple(o.opts))
                     for o in options})
    if name not in ("--output", "--format", "--from", "--to", "--yes"):
        assert 1 == len({o.help for o in options})


def test_every_command_has_json() -> None:
    """No report is for people alone."""
    assert [n for n, c in COMMANDS.items() if "json" not in {p.name for p in c.params}] == []


def test_an_input_is_never_named_by_an_option_of_the_output() -> None:
    """Who says where and in which form something is read says `--input-`."""
    for name, command in COMMANDS.items():
        options = {o.opts[-1] for o in command.params if isinstance(o, click.Option)}
        if options & {"--format", "--offset", "--fill"}:
            assert "--output" in options, name


def test_only_main_exits() -> None:
    """Commands return their exit codes."""
    for path in (ROOT / "host_tools").rglob("*.py"):
        if path.name not in ("main.py", "start.py"):
            assert not re.search(r"sys\.exit|SystemExit|ctx\.exit", path.read_text("utf-8")), path
