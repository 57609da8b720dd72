"""What the tests of commands that read dumps share: a folder with a schema and dumps of it."""

from __future__ import annotations

import random
from pathlib import Path

from click.testing import CliRunner, Result

from host_tools.main import main
from paramstore.verify.eeprom.faults import Tear, Torn
from tests.inspect.scenes import PLAN, SCHEMA, cut_commit, used_unit

__all__ = ["IMAGE", "TORN", "lay_out", "run", "text_without"]

IMAGE = bytes(used_unit("settings", 6, random.Random(1)).bench.device.memory)
TORN = cut_commit("settings", 6, 0, Tear(Torn.PREFIX, 8)).image


def run(*arguments: str | Path, stdin: bytes | None = None) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments], input=stdin)


def lay_out(folder: Path) -> Path:
    """Put the schema, a sound dump, and one with a torn and a bit-flipped slot into a folder."""
    (folder / "bench_unit.toml").write_text(SCHEMA)
    (folder / "sound.bin").write_bytes(IMAGE)
    hurt = bytearray(TORN)
    hurt[PLAN.ring("settings").address(1) + 7] ^= 4
    (folder / "hurt.bin").write_bytes(hurt)
    return folder


def text_without(*rows: int) -> str:
    """The sound dump as a console log that lacks the lines at these addresses."""
    return "\n".join(f"{at:04X}: {IMAGE[at:at + 16].hex(' ')}"
                     for at in range(0, len(IMAGE), 16) if at not in rows)
