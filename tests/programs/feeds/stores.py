"""Schemas, values files and files of releases."""

from __future__ import annotations

import json
import random
import shutil
import tomllib
from pathlib import Path
from typing import Any

from tests.programs.feeds.bench import Wrong, invoke, made, pick, put, sweep, unpacked
from tests.programs.feeds.inputs import DEFAULTS, DEMO, VALUES, text_like

__all__ = ["feed_release", "feed_schema", "feed_values"]

_WITH_SCHEMA = (
    (6, "bytes demo.toml --at settings.level"), (6, "compare sound.toml demo.toml"),
    (6, "unpack demo.toml unit.bin"), (4, "freeze demo.toml"),
    (4, "differ demo.toml unit.bin unit.bin"), (4, "plan demo.toml --fields"),
    (4, "migrate demo.toml unit.bin -o to.bin"), (4, "salvage demo.toml unit.bin -o saved.bin"),
    (3, "bytes demo.toml unit.bin"), (3, "read demo.toml --part-file unit.bin -o read.bin"),
    (3, "verify demo.toml unit.bin --part-file unit.bin"),
    (2, "batch demo.toml units.csv"), (2, "units --records demo.toml"),
    (2, "write demo.toml unit.bin --part-file part.bin --yes --backup old.hex"),
    (2, "erase demo.toml --part-file part.bin --yes --backup old.hex"),
    (2, "transcribe demo.toml unit.bin -o unit.hex"),
    (1, "generate demo.toml -o code"), (1, "plan demo.toml --html -"),
    (1, "examine demo.toml unit.bin --html -"))


def feed_schema(chance: random.Random) -> str:
    """A schema of a store."""
    put("demo.toml", text_like(chance, DEMO.encode()))
    asked = ("--json",) * chance.randrange(2)
    checked = invoke("check", "demo.toml", *asked)
    command = pick(chance, _WITH_SCHEMA)
    if checked.exit_code and chance.randrange(6) == 0:  # without mistakes they take too long
        command = chance.choice((("prove", "demo.toml", "--quick"),
                                 ("tour", "demo.toml", "-o", "code")))
        asked = ()
    invoke(*command, *(asked if "-" not in command else ()))
    if Path("demo.releases").exists():
        shutil.rmtree("demo.releases")
    packed = invoke("pack", "demo.toml", "-o", "one.bin")
    what = "a schema with mistakes"
    if made(packed, "one.bin"):
        what = "a schema, and its image from its own values"
        if checked.exit_code:
            raise Wrong("packed, but there are mistakes")
        unpacked("demo.toml", "one.bin")
        again = invoke("pack", "demo.toml", "--values", "back.toml", "-o", "two.bin")
        if again.exit_code or Path("one.bin").read_bytes() != Path("two.bin").read_bytes():
            raise Wrong(f"values that were written are not those that are read: {again.output}")
    sweep("one.bin", "two.bin", "back.toml", "code", "to.bin", "saved.bin", "read.bin", "part.bin",
          "old.hex", "unit.hex", "demo.units.db")
    return what


def feed_values(chance: random.Random) -> str:
    """A values file, or a setting on the command line."""
    content = text_like(chance, VALUES.encode())
    put("values.toml", content)
    settings = ()
    if chance.randrange(4) == 0:
        name = chance.choice(("level", "gain", "count", "mode", "quiet", "name", "steps", "lift"))
        junk = text_like(chance, b"12.5").decode("utf-8", "replace").replace("\0", "")
        settings = ("--set", f"settings.{name}={junk}")
    result = invoke("pack", "sound.toml", "--values", "values.toml", *settings, "-o", "one.bin")
    what = "values with mistakes"
    if made(result, "one.bin"):
        what = "values that are served as they were given"
        held = unpacked("sound.toml", "one.bin")["settings"]
        given = tomllib.loads(content.decode("utf-8-sig")).get("settings", {})
        for name, value in given.items():
            if not settings and not _same(value, held[name], 0.051 if name == "level" else 0):
                raise Wrong(f"{name} = {value!r} was given, and {held[name]!r} is served")
        for name, value in tomllib.loads(DEFAULTS)["settings"].items():
            if name not in given and not settings and held[name] != value:
                raise Wrong(f"{name} was not given, and {held[name]!r} is served")
    sweep("one.bin", "back.toml")
    return what


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


_WITH_RELEASES = (
    (1, "check line.toml"), (1, "plan line.toml"), (1, "compare line.toml --from 1"),
    (1, "pack line.toml -o one.bin"), (1, "unpack line.toml line.bin"),
    (1, "generate line.toml -o code"), (1, "freeze line.toml"))


def feed_release(chance: random.Random) -> str:
    """A file of a release."""
    path = Path("line.releases") / chance.choice(("0001.json", "0002.json"))
    sound = path.read_bytes()
    content = text_like(chance, sound)
    try:
        path.write_bytes(content)
        result = invoke(*pick(chance, _WITH_RELEASES))
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
