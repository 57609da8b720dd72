"""A folder of this process in which commands run on inputs, and what none of them may do there."""

from __future__ import annotations

import atexit
import json
import os
import random
import re
import shutil
import sqlite3
import tempfile
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from host_tools.main import main as paramstore
from tests.production.jobs import SCHEMA as PUMP
from tests.programs.feeds.inputs import DEMO, TABLE, VALUES

__all__ = ["COMMANDS", "Wrong", "bench", "clear", "invoke", "made", "pick", "put", "sweep",
           "unpacked"]

_ROOT = Path(__file__).parents[3]
_COLOUR = re.compile(r"\x1b\[(?:0|1|3[1-6])m")
_RUNNER = CliRunner()

COMMANDS: list[str] = []
"""The commands that ran since this was emptied."""


class Wrong(AssertionError):
    """A command did what it must not."""


# ---- One run ------------------------------------------------------------------------------------


def invoke(*arguments: str) -> Result:
    """Run a command as on a terminal; Wrong for what none may do."""
    COMMANDS.append(arguments[0])
    result = _RUNNER.invoke(paramstore, arguments, color=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        result.exception.add_note(repr(arguments))
        raise result.exception
    # A table and labels on stdout are files: one that is a terminal is refused.
    told = result.stderr if {"--csv", "--labels"} & {*arguments} else result.output
    if not _COLOUR.sub("", told).replace("\n", "").isprintable():
        raise Wrong(f"{arguments}: what does not print is said: {told!r}")
    if result.exit_code not in (0, 1, 2):
        raise Wrong(f"{arguments}: exit code {result.exit_code}")
    if result.exit_code and not result.output:
        raise Wrong(f"{arguments}: exit code {result.exit_code}, and not a word")
    if "--json" in arguments and result.stdout:
        json.loads(result.stdout, parse_constant=_no_number)
    return result


def _no_number(word: str) -> None:
    raise Wrong(f"{word} in JSON, which has no such number")


def pick(chance: random.Random, commands: tuple[tuple[int, str], ...]) -> list[str]:
    """Return the words of one of some command lines, each with how often it comes."""
    (line,) = chance.choices([c for _, c in commands], [often for often, _ in commands])
    return line.split()


def made(result: Result, name: str) -> bool:
    """Return whether an output was made; Wrong if it should not have been, or should have."""
    there = Path(name).exists()
    if there != (result.exit_code == 0):
        raise Wrong(f"exit code {result.exit_code}, but {name} is {'' if there else 'not '}there")
    return there


def unpacked(schema: str, image: str) -> dict[str, Any]:
    """Return the values in an image, read by another reader; Wrong if there are none."""
    result = invoke("unpack", schema, image, "-o", "back.toml")
    if result.exit_code:
        raise Wrong(f"its own image is not read: {result.output}")
    return tomllib.loads(Path("back.toml").read_text("utf-8"))


# ---- The folder ---------------------------------------------------------------------------------


@cache
def bench() -> Path:
    """Enter the folder, with everything that inputs are made from; return it."""
    fast = Path("/dev/shm")  # in memory, where there is one
    folder = Path(tempfile.mkdtemp(prefix="fuzz", dir=fast if fast.is_dir() else None))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    os.chdir(folder)
    os.environ.pop("NO_COLOR", None)
    _lay_out()
    global _SOUND
    _SOUND = frozenset(p.name for p in folder.iterdir())
    return folder


_SOUND: frozenset[str] = frozenset()


def _lay_out() -> None:
    for name, text in (("demo.toml", DEMO), ("sound.toml", DEMO), ("values.toml", VALUES),
                       ("pump.toml", PUMP), ("units.csv", TABLE)):
        put(name, text.encode())
    released = _ROOT / "tests" / "corpus" / "edits" / "released"
    for number in ("0001", "0002"):
        shutil.copy(released / f"{number}.toml", "line.toml")
        assert 0 == invoke("freeze", "line.toml").exit_code
    assert 0 == invoke("pack", "sound.toml", "-o", "unit.bin").exit_code
    assert 0 == invoke("pack", "line.toml", "-o", "line.bin").exit_code
    assert 0 == invoke("batch", "pump.toml", "units.csv", "-o", "images").exit_code
    with sqlite3.connect("pump.units.db") as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    Path("pump.units.db").rename("kept.db")
    schemas = _ROOT / "schemas"
    for name in ("tank_probe.toml", "tank_probe.calibration.toml", "tank_probe.electrode.csv",
                 "tank_probe.thermistor.csv", "tank_probe.conductivity.csv",
                 "tank_probe.fixed.toml", "tank_probe.fixed.txt"):
        shutil.copy(schemas / name, name)
    shutil.copytree(schemas / "tank_probe.releases", "tank_probe.releases")


def put(name: str, content: bytes) -> None:
    """Write a file."""
    Path(name).write_bytes(content)


def sweep(*outputs: str) -> None:
    """Take away what an input made; Wrong if that is more than its `outputs`."""
    names = _made()
    if more := names - {*outputs}:
        raise Wrong(f"{', '.join(sorted(more))} was made")
    _take_away(names)


def clear() -> None:
    """Take away all that is not from the beginning."""
    _take_away(_made())


def _made() -> set[str]:
    return set(os.listdir(bench())) - _SOUND  # noqa: PTH208 - no more than the names are needed


def _take_away(names: set[str]) -> None:
    for name in names:
        path = bench() / name
        shutil.rmtree(path) if path.is_dir() else path.unlink()
