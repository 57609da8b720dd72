"""Runs every command, in this process, on arbitrary schemas, values, tables, records, releases,
recipes, parts and dumps, and checks what comes of it.

    python -m tests.programs.fuzz_commands --inputs 1000000 --workers 2 --to FILE

An input is a sound file of one kind with lines, values, bytes and letters changed, lost, doubled or
taken from one another; what moves a cursor, hides or turns text comes up often. For each, a few
commands run as on a terminal with colours. Checked is, each time:

- no error but those of the commands: exit code 0, 1 or 2, and a message unless it is 0;
- nothing but what prints, line ends and our colours reaches the terminal (tables and labels are
  files, which none gets), and JSON is JSON;
- an output is whole or not there, and nothing else was made;
- what was asked for with exit code 0 is so, wherever that can be known: a values file and a table
  read by another reader against what the image then says; a schema, whatever it is, packed,
  unpacked into a values file, and packed from that, is the same image; a release whose meaning
  changed is refused.

`figures/fuzz_commands.txt` is what the last run kept.
"""

from __future__ import annotations

import atexit
import csv
import json
import os
import random
import re
import shutil
import sqlite3
import sys
import tempfile
import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from host_tools.main import main as paramstore
from tests.production.jobs import SCHEMA as PUMP
from tests.programs.fuzzing import arbitrary, arbitrary_schema, damage, main

ROOT = Path(__file__).parents[2]
SCHEMAS = ROOT / "schemas"
_COLOUR = re.compile(r"\x1b\[(?:0|1|3[1-6])m")
_HOSTILE = tuple(c.encode() for c in (
    "\x1b[2J", "\x1b[37m", "\x1b]0;x\x07", "\x9b2J", "\u202e", "\u2028", "\x07", "\r", "\x08",
    "\x0b", "\x85", "\ufeff", "\u2066", "\\u001b[2J", "\\n", "\\u009b", "\\u202e",
    "\\r\\n[settings]\\nquiet = 1",
    "=1+1", "'", '"', "../../x", "%n", "{0}", "{serial}", "<script>", "`", "\\", "$(x)"))
DEMO = """\
[store]
name = "demo"
doc = "invented"
part = "24LC04B"
[group.settings]
role = "setting"
writes = "1 per day"
[group.settings.parameter]
level = { type = "i16", unit = "degC", scale = 0.1, min = -40, max = 125, default = 6 }
gain = { type = "f32", unit = "mV/pH", default = 1.5 }
count = { type = "u32", default = 7 }
mode = { type = "enum", members = ["off", "auto"] }
quiet = { type = "bool" }
name = { type = "text", size = 10, default = "pump" }
steps = { type = "u8", count = 2, unit = "%", default = [1, 2] }
lift = { type = "curve", points = 2, x = { type = "u8", unit = "V" }, y = { type = "i8" }, \
default = [[0, 0], [1, 2]] }
"""
VALUES = """\
[settings]
level = 21.5
gain = -3.25
count = 100000
mode = "auto"
quiet = true
name = "Süd"
steps = [3, 4]
lift = [[1, -5], [9, 5]]
"""
TABLE = """\
identity.serial,identity.board,trim.flow [ml/turn],trim.zero [uV],settings.label,settings.quiet
A-001,1,2.5,-12.5,pump,true
A-002,2,0.75,0,"a, b",false
A-003,9,8.5,499.9,"",true
"""


class Wrong(AssertionError):
    """A command did what it must not."""


# ---- One run ------------------------------------------------------------------------------------


def invoke(*arguments: str) -> Result:
    """Run a command as on a terminal; Wrong for what none may do."""
    result = CliRunner().invoke(paramstore, arguments, color=True)
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
        json.loads(result.stdout)
    return result


def made(result: Result, name: str, sound: tuple[int, ...] = (0,)) -> bool:
    """Return whether an output was made; Wrong if it should not have been, or should have."""
    there = Path(name).exists()
    if there != (result.exit_code in sound):
        raise Wrong(f"exit code {result.exit_code}, but {name} is {'' if there else 'not '}there")
    return there


@cache
def bench() -> Path:
    """Enter a folder of this process with everything that inputs are made from; return it."""
    fast = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="fuzz", dir=fast if fast.is_dir() else None))
    os.chdir(folder)
    os.environ.pop("NO_COLOR", None)
    put("demo.toml", DEMO.encode())
    put("sound.toml", DEMO.encode())
    put("values.toml", VALUES.encode())
    put("pump.toml", PUMP.encode())
    put("units.csv", TABLE.encode())
    corpus = ROOT / "tests" / "corpus"
    shutil.copy(corpus / "edits" / "released" / "0001.toml", "line.toml")
    assert 0 == invoke("freeze", "line.toml").exit_code
    shutil.copy(corpus / "edits" / "released" / "0002.toml", "line.toml")
    assert 0 == invoke("freeze", "line.toml").exit_code
    assert 0 == invoke("pack", "sound.toml", "-o", "unit.bin").exit_code
    assert 0 == invoke("pack", "line.toml", "-o", "line.bin").exit_code
    assert 0 == invoke("batch", "pump.toml", "units.csv", "-o", "images").exit_code
    with sqlite3.connect("pump.units.db") as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    Path("pump.units.db").rename("kept.db")
    for name in ("tank_probe.toml", "tank_probe.calibration.toml", "tank_probe.electrode.csv",
                 "tank_probe.thermistor.csv", "tank_probe.fixed.toml", "tank_probe.fixed.txt"):
        shutil.copy(SCHEMAS / name, name)
    shutil.copytree(SCHEMAS / "tank_probe.releases", "tank_probe.releases")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    global _SOUND
    _SOUND = frozenset(p.name for p in folder.iterdir())
    return folder


_SOUND: frozenset[str] = frozenset()


def put(name: str, content: bytes) -> None:
    Path(name).write_bytes(content)


def sweep(*outputs: str) -> None:
    """Take away what an input made; Wrong if that is more than its `outputs`."""
    for path in bench().iterdir():
        if path.name in _SOUND:
            continue
        if path.name not in outputs:
            raise Wrong(f"{path.name} was made")
    clear()


def clear() -> None:
    """Take away all that is not from the beginning."""
    for path in bench().iterdir():
        if path.name not in _SOUND:
            shutil.rmtree(path) if path.is_dir() else path.unlink()


# ---- Inputs -------------------------------------------------------------------------------------


def text_like(chance: random.Random, sound: bytes) -> bytes:
    """Return a text with values, lines or letters changed."""
    if chance.randrange(8) == 0:
        return arbitrary_schema(chance, [sound])
    if chance.randrange(2):
        return _mild(chance, sound)
    data = bytearray(sound)
    for _ in range(chance.choice((1, 1, 2, 4))):
        match chance.randrange(4):
            case 0:
                damage(chance, data, [sound])
            case 1:  # where a text or a cell begins or ends
                spots = [m.start() for m in re.finditer(rb'["\',=\[\n]', data)] or [0]
                at = chance.choice(spots) + chance.randrange(2)
                data[at:at] = chance.choice(_HOSTILE)
            case 2:  # another number
                spans = [m.span() for m in re.finditer(rb"-?\d+(\.\d+)?", data)] or [(0, 0)]
                at, end = chance.choice(spans)
                data[at:end] = chance.choice((b"0", b"-1", b"255", b"256", b"1e3", b"0.05", b"3,5",
                                              b"12.", b"1_0", b"0x10", b"nan", b"99999999999999",
                                              b"%d" % chance.randrange(-999, 999)))
            case _:
                data += chance.choice(_HOSTILE)
    return bytes(data)


def _mild(chance: random.Random, sound: bytes) -> bytes:
    """Return a text that is mostly still sound: numbers changed a little, lines out or in another
    order, something behind a line or in a text."""
    data = bytearray(sound)
    for _ in range(chance.choice((1, 1, 2, 3))):
        match chance.randrange(5):
            case 0 | 1:
                spans = [m.span() for m in re.finditer(rb"\d+(\.\d+)?", data)] or [(0, 0)]
                at, end = chance.choice(spans)
                data[at:end] = chance.choice((b"0", b"1", b"2", b"12", b"12.0", b"1.25", b"0.05",
                                              b"2e1", b"1_2", b"%d" % chance.randrange(200)))
            case 2:
                lines = data.split(b"\n")
                at = chance.randrange(len(lines))
                lines.insert(chance.randrange(len(lines)), lines.pop(at))
                data = bytearray(b"\n".join(lines))
            case 3:
                lines = data.split(b"\n")
                lines[chance.randrange(len(lines))] += b"  # " + chance.choice(_HOSTILE)
                data = bytearray(b"\n".join(lines))
            case _:
                spots = [m.end() for m in re.finditer(rb'"\w', data)] or [0]
                at = chance.choice(spots)
                data[at:at] = chance.choice((*_HOSTILE, b"a", b" ", "µ".encode()))
    return bytes(data)


# ---- Kinds of inputs ----------------------------------------------------------------------------


def feed_schema(chance: random.Random) -> str:
    """A schema of a store."""
    content = text_like(chance, DEMO.encode())
    put("demo.toml", content)
    asked = ("--json",) * chance.randrange(2)
    checked = invoke("check", "demo.toml", *asked)
    command = chance.choice((
        ("plan", "demo.toml", "--fields"), ("plan", "demo.toml", "--html", "-"),
        ("generate", "demo.toml", "-o", "code"), ("unpack", "demo.toml", "unit.bin"),
        ("examine", "demo.toml", "unit.bin", "--html", "-"), ("compare", "sound.toml", "demo.toml"),
        ("bytes", "demo.toml", "unit.bin"), ("locate", "demo.toml", "settings.level"),
        ("migrate", "demo.toml", "unit.bin", "-o", "to.bin"),
        ("salvage", "demo.toml", "unit.bin", "-o", "saved.bin"), ("freeze", "demo.toml"),
        ("differ", "demo.toml", "unit.bin", "unit.bin"), ("units", "demo.toml"),
        ("batch", "demo.toml", "units.csv"), ("read", "demo.toml", "--part-file", "unit.bin",
                                              "-o", "read.bin")))
    invoke(*command, *(asked if command[0] not in ("bytes", "locate") and "-" not in command
                       else ()))
    if Path("demo.releases").exists():
        shutil.rmtree("demo.releases")
    packed = invoke("pack", "demo.toml", "-o", "one.bin")
    what = "a schema with mistakes"
    if made(packed, "one.bin"):
        what = "a schema, and its image from its own values"
        if checked.exit_code:
            raise Wrong("packed, but there are mistakes")
        _unpacked("demo.toml", "one.bin")
        again = invoke("pack", "demo.toml", "back.toml", "-o", "two.bin")
        if again.exit_code or Path("one.bin").read_bytes() != Path("two.bin").read_bytes():
            raise Wrong(f"values that were written are not those that are read: {again.output}")
    sweep("one.bin", "two.bin", "back.toml", "code", "to.bin", "saved.bin", "read.bin",
          "demo.units.db")
    return what


def _unpacked(schema: str, image: str) -> dict[str, Any]:
    """Return the values in an image, read by another reader; Wrong if there are none."""
    result = invoke("unpack", schema, image, "-o", "back.toml")
    if result.exit_code:
        raise Wrong(f"its own image is not read: {result.output}")
    return tomllib.loads(Path("back.toml").read_text("utf-8"))


def feed_values(chance: random.Random) -> str:
    """A values file, or a setting on the command line."""
    content = text_like(chance, VALUES.encode())
    put("values.toml", content)
    settings = ()
    if chance.randrange(4) == 0:
        name = chance.choice(("level", "gain", "count", "mode", "quiet", "name", "steps", "lift"))
        junk = text_like(chance, b"12.5").decode("utf-8", "replace").replace("\0", "")
        settings = ("--set", f"settings.{name}={junk}")
    result = invoke("pack", "sound.toml", "values.toml", *settings, "-o", "one.bin")
    what = "values with mistakes"
    if made(result, "one.bin"):
        what = "values that are served as they were given"
        held = _unpacked("sound.toml", "one.bin")["settings"]
        given = tomllib.loads(content.decode("utf-8-sig")).get("settings", {})
        for name, value in given.items():
            if not settings and not _same(value, held[name], 0.051 if name == "level" else 0):
                raise Wrong(f"{name} = {value!r} was given, and {held[name]!r} is served")
        for name, value in tomllib.loads(DEFAULTS)["settings"].items():
            if name not in given and not settings and held[name] != value:
                raise Wrong(f"{name} was not given, and {held[name]!r} is served")
    sweep("one.bin", "back.toml")
    return what


DEFAULTS = """\
[settings]
level = 6
gain = 1.5
count = 7
mode = "off"
quiet = false
name = "pump"
steps = [1, 2]
lift = [[0, 0], [1, 2]]
"""


def _same(given: Any, held: Any, within: float) -> bool:
    """Return whether what is served is what was given, by the rules of values files."""
    if isinstance(given, bool) or isinstance(held, bool):
        return given is held
    if isinstance(held, list):  # one value stands for all of an array
        given = given if isinstance(given, list) else [given] * len(held)
        return len(given) == len(held) and all(map(_same, given, held, [within] * len(held)))
    if isinstance(held, str):
        return bool(given == held)
    number = given if isinstance(given, int | float) else float(str(given).split()[0])
    return bool(abs(number - held) <= within + abs(held) * 1e-7)


def feed_table(chance: random.Random) -> str:
    """A table of units."""
    content = text_like(chance, TABLE.encode())
    put("units.csv", content)
    more = chance.choice(((), (), ("--skip-bad",), ("--serial", "B-###"), ("--json",)))
    result = invoke("batch", "pump.toml", "units.csv", "-o", "out", "--records", "one.db", *more)
    what = "a table with mistakes"
    if result.exit_code == 0 and "--serial" not in more:
        what = "a table whose units are as it says"
        _compare_units(content)
    sweep("out", "one.db", "one.db-wal", "one.db-shm", "back.toml")
    put("units.csv", TABLE.encode())
    return what


def _compare_units(content: bytes) -> None:
    lines = [line for line in content.decode("utf-8-sig").replace("\r\n", "\n").split("\n")
             if line.strip(" \t,\r") and not line.lstrip().startswith("#")]
    rows = list(csv.reader(lines, skipinitialspace=True))
    heads = [re.sub(r"\s*\[.*", "", cell.strip()) for cell in rows[0]]
    for row in rows[1:4]:
        cells = dict(zip(heads, (c.strip() for c in row), strict=True))
        serial = cells["identity.serial"]
        held = _unpacked("pump.toml", f"out/{serial}.bin")
        if held["identity"]["serial"] != serial:
            raise Wrong(f"unit {serial} is {held['identity']['serial']}")
        for head, text in cells.items():
            group, _, name = head.partition(".")
            value = held.get(group, {}).get(name)
            if re.fullmatch(r"-?\d+(\.\d+)?", text) and isinstance(value, int | float) and (
                    not isinstance(value, bool)):
                if abs(float(text) - value) > 0.051 + abs(value) * 1e-6:
                    raise Wrong(f"{head} of unit {serial} is {text}, and {value} is served")
            elif name == "label" and text and value != text.removeprefix("'") and value != text:
                raise Wrong(f"{head} of unit {serial} is {text!r}, and {value!r} is served")


def feed_records(chance: random.Random) -> str:
    """A file of records."""
    data = bytearray(Path("kept.db").read_bytes())
    if chance.randrange(2):
        put("one.db", bytes(data))
        db = sqlite3.connect("one.db", isolation_level=None)
        table, columns = chance.choice((
            ("batch", ("name", "release", "plan", "serial_parameter", "constants")),
            ("unit", ("serial", "batch", "row", "number", "allotted")),
            ("image", ("given", "sha256", "packed", "row", "batch")),
            ("event", ("serial", "at", "what", "good", "detail"))))
        column = chance.choice(columns)
        old = db.execute(f"SELECT {column} FROM {table}").fetchone()
        new: Any = text_like(chance, str(old[0] if old else "").encode() or b"x")
        new = chance.choice((new, new.decode("utf-8", "replace"), chance.randrange(-9, 999), None))
        try:
            db.execute(f"UPDATE {table} SET {column} = ?", (new,))
        except sqlite3.Error:
            pass  # it does not take that: the records are sound
        finally:
            db.close()
    else:
        for _ in range(chance.choice((1, 1, 2, 20))):
            at = chance.randrange(len(data))
            data[at] ^= 1 << chance.randrange(8)
        put("one.db", bytes(data))
    command = chance.choice((
        ("units", "one.db"), ("units", "one.db", "--json"), ("units", "one.db", "--csv", "-"),
        ("units", "one.db", "A-001", "--html", "-"), ("units", "one.db", "--labels", "-"),
        ("batch", "pump.toml", "units.csv", "--records", "one.db", "-o", "out"),
        ("batch", "pump.toml", "units.csv", "--records", "one.db", "-o", "out", "--again",
         "--batch", "two"), ("differ", "pump.toml", "images/A-001.bin", "one.db")))
    result = invoke(*command)
    sweep("out", "one.db", "one.db-wal", "one.db-shm", "one.db-journal")
    return f"records, {'read' if result.exit_code == 0 else 'refused'}"


def feed_release(chance: random.Random) -> str:
    """A file of a release."""
    path = Path("line.releases") / chance.choice(("0001.json", "0002.json"))
    sound = path.read_bytes()
    content = text_like(chance, sound)
    try:
        path.write_bytes(content)
        result = invoke(*chance.choice((
            ("check", "line.toml"), ("plan", "line.toml"), ("compare", "line.toml@1", "line.toml"),
            ("pack", "line.toml", "-o", "one.bin"), ("unpack", "line.toml", "line.bin"),
            ("generate", "line.toml", "-o", "code"), ("freeze", "line.toml"))))
    finally:
        path.write_bytes(sound)
    try:
        same = json.loads(content.decode("utf-8-sig")) == json.loads(sound)
    except ValueError:
        same = False
    if not same and result.exit_code == 0:
        raise Wrong("a release that was changed is used")
    sweep("one.bin", "code")
    return "a release that means the same" if same else "a release that is refused"


def feed_recipe(chance: random.Random) -> str:
    """A recipe of a calibration, or a table of measurements."""
    recipe, table = "tank_probe.calibration.toml", chance.choice((
        "tank_probe.electrode.csv", "tank_probe.thermistor.csv"))
    name = chance.choice((recipe, table, table))
    sound = Path(name).read_bytes()
    try:
        put(name, text_like(chance, sound))
        result = invoke("calibrate", "tank_probe.toml", recipe, table, "-o", "cal.toml",
                        *chance.choice(((), ("--json",), ("--details",))))
    finally:
        put(name, sound)
    what = "measurements with mistakes"
    if Path("cal.toml").exists():
        if result.exit_code > 1:
            raise Wrong(f"exit code {result.exit_code}, but values are there")
        what = "measurements whose values can be packed"
        if Path("cal.toml").is_file() and invoke(
                "pack", "tank_probe.toml", "cal.toml", "-o", "one.bin").exit_code:
            raise Wrong("values of a calibration are not taken")
    sweep("cal.toml", "one.bin")
    return what


def feed_layout(chance: random.Random) -> str:
    """A fixed layout."""
    sound = Path("tank_probe.fixed.toml").read_bytes()
    put("fixed.toml", text_like(chance, sound))
    invoke("check", "fixed.toml", *("--json",) * chance.randrange(2))
    result = invoke(*chance.choice((
        ("plan", "fixed.toml"), ("unpack", "fixed.toml", "tank_probe.fixed.txt"),
        ("unpack", "fixed.toml", "tank_probe.fixed.txt", "--json"),
        ("bytes", "fixed.toml", "tank_probe.fixed.txt"),
        ("examine", "fixed.toml", "tank_probe.fixed.txt", "--html", "-"),
        ("migrate", "tank_probe.toml", "tank_probe.fixed.txt", "--layout", "fixed.toml", "-o",
         "one.bin"))))
    sweep("one.bin", "fixed.toml")
    return f"a fixed layout, exit code {result.exit_code}"


def feed_dump(chance: random.Random) -> str:
    """A dump, by name and suffix."""
    name = "dump" + chance.choice((".bin", ".hex", ".txt", ".c", ".uf2", ".srec", ""))
    put(name, arbitrary(chance, _dumps()))
    result = invoke(*chance.choice((
        ("unpack", "sound.toml", name), ("unpack", "sound.toml", name, "--json"),
        ("unpack", "sound.toml", name, "-o", "-"), ("examine", "sound.toml", name, "--html", "-"),
        ("bytes", "sound.toml", name), ("salvage", "sound.toml", name, "-o", "one.bin"),
        ("transcribe", "sound.toml", name, "-o", "one.hex"),
        ("migrate", "line.toml", name, "-o", "one.bin"), ("differ", "sound.toml", name, "unit.bin"),
        ("verify", "sound.toml", name, "--part-file", "unit.bin"),
        ("write", "sound.toml", name, "--part-file", "part.bin"),
        ("read", "sound.toml", "--part-file", name, "-o", "one.bin"))))
    sweep("one.bin", "one.hex", name, "part.bin")
    return f"a dump, exit code {result.exit_code}"


@cache
def _dumps() -> list[bytes]:
    bench()
    forms = []
    for suffix in ("bin", "hex", "srec", "txt", "c"):
        assert 0 == invoke("pack", "sound.toml", "-o", f"form.{suffix}").exit_code
        forms.append(Path(f"form.{suffix}").read_bytes())
        Path(f"form.{suffix}").unlink()
    return forms


# ---- Runs ---------------------------------------------------------------------------------------

KINDS: tuple[Callable[[random.Random], str], ...] = (
    feed_recipe, feed_layout,
    *(feed_schema, feed_values, feed_table, feed_records, feed_release, feed_dump) * 6)
"""By the number of the input; what takes long comes less often."""


def one(number: int, chance: random.Random) -> tuple[str, bytes]:
    """Feed one input; return what became of it."""
    bench()
    return KINDS[number % len(KINDS)](chance), b""


if __name__ == "__main__":
    main("fuzz_commands", __doc__ or "", one, sys.argv[1:])
