"""Dumps, the layouts that read them, and what is asked of parts."""

from __future__ import annotations

import random
from functools import cache
from pathlib import Path

from tests.programs.feeds.bench import bench, invoke, pick, put, sweep
from tests.programs.feeds.inputs import text_like
from tests.programs.fuzzing import arbitrary

__all__ = ["feed_dump", "feed_layout", "feed_words"]


_WITH_LAYOUT = (
    (1, "plan fixed.toml"), (1, "unpack fixed.toml tank_probe.fixed.txt"),
    (1, "unpack fixed.toml tank_probe.fixed.txt --json"),
    (1, "bytes fixed.toml tank_probe.fixed.txt"),
    (1, "examine fixed.toml tank_probe.fixed.txt --html -"),
    (1, "migrate tank_probe.toml tank_probe.fixed.txt --layout fixed.toml -o one.bin"))


def feed_layout(chance: random.Random) -> str:
    """A fixed layout."""
    sound = Path("tank_probe.fixed.toml").read_bytes()
    put("fixed.toml", text_like(chance, sound))
    invoke("check", "fixed.toml", *("--json",) * chance.randrange(2))
    result = invoke(*pick(chance, _WITH_LAYOUT))
    sweep("one.bin", "fixed.toml")
    return f"a fixed layout, exit code {result.exit_code}"


_WITH_DUMP = (
    (4, "unpack sound.toml DUMP"), (4, "unpack sound.toml DUMP --json"),
    (4, "unpack sound.toml DUMP -o -"), (3, "bytes sound.toml DUMP"),
    (4, "salvage sound.toml DUMP -o one.bin"), (4, "transcribe sound.toml DUMP -o one.hex"),
    (4, "migrate line.toml DUMP -o one.bin"), (4, "differ sound.toml DUMP unit.bin"),
    (3, "read sound.toml --part-file DUMP -o one.bin"),
    (2, "verify sound.toml DUMP --part-file unit.bin"),
    (2, "write sound.toml DUMP --part-file part.bin"),
    (1, "write sound.toml unit.bin --part-file DUMP --yes --backup old.hex"),
    (1, "erase sound.toml --part-file DUMP --yes --backup old.hex"),
    (1, "examine sound.toml DUMP --html -"))


def feed_dump(chance: random.Random) -> str:
    """A dump, by name and suffix."""
    name = "dump" + chance.choice((".bin", ".hex", ".txt", ".c", ".uf2", ".srec", ""))
    put(name, arbitrary(chance, _forms()))
    result = invoke(*(name if word == "DUMP" else word for word in pick(chance, _WITH_DUMP)))
    sweep("one.bin", "one.hex", name, "part.bin", "old.hex")
    return f"a dump, exit code {result.exit_code}"


@cache
def _forms() -> list[bytes]:
    bench()
    forms = []
    for suffix in ("bin", "hex", "srec", "txt", "c"):
        assert 0 == invoke("pack", "sound.toml", "-o", f"form.{suffix}").exit_code
        forms.append(Path(f"form.{suffix}").read_bytes())
        Path(f"form.{suffix}").unlink()
    return forms


def feed_words(chance: random.Random) -> str:
    """What stands on the command line: a part, a code, a parameter, a place, a history."""
    junk = text_like(chance, chance.choice((
        b"24LC04B", b"PS204", b"settings.level", b"0x10", b"1 per day"))).decode("utf-8", "replace")
    word = junk.replace("\0", "").lstrip("-")
    result = invoke(*chance.choice((
        ("parts", word), ("check", "--explain", word), ("bytes", "sound.toml", "--at", word),
        ("parts", "--capacity", word), ("units", "--records", "kept.db", word), ("check", word),
        ("bytes", "sound.toml", word), ("prove", "sound.toml", "--release", "9", "--replay", word),
        ("pack", "sound.toml", "-o", "one.bin", "--format", word))))
    sweep("one.bin")
    return f"words, exit code {result.exit_code}"
