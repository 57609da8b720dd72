"""Commands on a struct as careful people write it by hand: two copies, counted channels, coded
values. Invented, as are all of its values; the image is made here by `struct` alone."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.main import main
from tests.goldens import golden

GOLDEN = Path(__file__).parent / "golden"

LAYOUT = """
[fixed]
name = "old_pump"
doc = "Struct of the first feed pump (invented example)"
size = 128

[group.head.parameter]
magic = { type = "u32", at = 0, always = 0x504D5550 }
channels = { type = "u8", at = 4, to = "" }
serial = { type = "u32", at = 5, coding = "bcd", to = "identity.serial" }
made = { type = "date", at = 9, coding = "packed", since = 1980-01-01, to = "identity.made" }
step = { type = "f16", at = 11, unit = "V", digits = 6, to = "" }
offset = { type = "i16", at = 13, unit = "V", scale_from = "step", to = "adjustment.offset" }

[group.head.check]
sum = { type = "sum", over = ["0-14"], at = 15, final = 0xFF, doc = "Inverted" }

[group.channel]
at = 16
count = 4
every = 4
when = { bits = ["4"], from = "image", above = 0 }
[group.channel.parameter]
gain = { type = "f32", at = 0, digits = 4, to = "adjustment.gains" }

[group.settings]
doc = "Written in turn, the newer one counts"
at = 64
count = 2
every = 32
copies = "sequence"
[group.settings.parameter]
sequence = { type = "u8", at = 0 }
flow = { type = "u16", at = 1, coding = "bcd", unit = "ml/min" }
seen = { type = "date", at = 3, coding = "unix", to = "" }
[group.settings.check]
sum = { type = "fletcher", width = 16, over = ["0-6"], at = 7 }
"""

STORE = """
[store]
name = "pump"
part = "24LC32A"
[group.identity]
role = "setting"
writes = "1 per year"
[group.identity.parameter]
serial = { type = "u32" }
made = { type = "date" }
[group.adjustment]
role = "setting"
writes = "1 per year"
[group.adjustment.parameter]
gains = { type = "f32", count = 4, min = 0.5, max = 2, default = 1, digits = 4 }
offset = { type = "f32", unit = "V", min = -1, max = 1, digits = 6 }
[group.settings]
role = "setting"
writes = "2 per day"
[group.settings.parameter]
flow = { type = "u16", unit = "ml/min", max = 2000, default = 100 }
"""


def settings(sequence: int, flow: int, seen: int) -> bytes:
    """One copy of the settings."""
    body = struct.pack("<BHI", sequence, flow, seen)
    first = second = 0
    for byte in body:
        first = (first + byte) % 255
        second = (second + first) % 255
    return (body + bytes([first, second])).ljust(32, b"\xff")


def image(*copies: bytes, gains: tuple[float, ...] = (0.9871, 1.0125, 1.25, 0)) -> bytes:
    """The bytes of a unit with three channels."""
    made = (2024 - 1980) << 9 | 11 << 5 | 26
    head = struct.pack("<IBIHeh", 0x504D5550, 3, 0x00190042, made, 0.0009765625, -20)
    head += bytes([sum(head) & 0xFF ^ 0xFF])
    return (head + struct.pack("<4f", *gains)).ljust(64, b"\xff") + b"".join(copies)


SOUND = image(settings(255, 0x0250, 1_764_500_000), settings(0, 0x0275, 1_764_586_400))
TORN = image(settings(255, 0x0250, 1_764_500_000), b"\0\x75\x02" + b"\xff" * 29,
             gains=(0.9871, float("nan"), 1.25, 0))


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture(autouse=True)
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The files, under names without a folder."""
    monkeypatch.chdir(tmp_path)
    Path("old.toml").write_text(LAYOUT, "utf-8")
    Path("pump.toml").write_text(STORE, "utf-8")
    Path("sound.bin").write_bytes(SOUND)
    Path("torn.bin").write_bytes(TORN)


@pytest.mark.parametrize(("words", "code"), [
    (("examine", "old.toml", "sound.bin"), 0), (("examine", "old.toml", "torn.bin"), 1),
    (("plan", "old.toml"), 0),
    (("migrate", "pump.toml", "sound.bin", "--layout", "old.toml", "-o", "new.bin"), 0),
    (("migrate", "pump.toml", "torn.bin", "--layout", "old.toml", "-o", "new.bin",
      "--accept-loss"), 0),
], ids=lambda words: "_".join(words[:3]) if isinstance(words, tuple) else "")
def test_what_is_shown(words: tuple[str, ...], code: int) -> None:
    """Reports are those that were read and approved."""
    result = run(*words)
    name = "_".join(w.split(".")[0] for w in words if w in ("examine", "plan", "migrate",
                                                            "sound.bin", "torn.bin"))
    assert golden(GOLDEN / f"handwritten_{name}.txt", result.output) == result.output
    assert code == result.exit_code


def test_a_torn_copy_beside_a_right_one_is_a_warning() -> None:
    """The last values are whole: exit code 0, and the copy that counts is named."""
    Path("torn.bin").write_bytes(SOUND[:100])
    whole = SOUND[:100] + b"\xff" * 28
    Path("torn.bin").write_bytes(whole)
    result = run("unpack", "old.toml", "torn.bin", "--json")
    assert 0 == result.exit_code
    groups = {g["name"]: g for g in json.loads(result.stdout)["groups"]}
    assert ["in use", "not right"] == [groups[f"settings_{n}"]["copy"] for n in (1, 2)]


def test_what_unpack_writes_is_read_again() -> None:
    """The values file has what the dump holds, with the scale that is stored in it."""
    assert 0 == run("unpack", "old.toml", "sound.bin", "-o", "values.toml").exit_code
    assert "offset = -0.01953125  # V" in Path("values.toml").read_text("utf-8")


def test_a_loss_must_be_accepted() -> None:
    """Without that nothing is written."""
    result = run("migrate", "pump.toml", "torn.bin", "--layout", "old.toml", "-o", "new.bin")
    assert (1, False) == (result.exit_code, Path("new.bin").exists())


@pytest.mark.parametrize("second", [settings(0, 0x0275, 1_764_586_400), b"\xff" * 32,
                                    settings(0, 0x0275, 0)[:5] + b"\xff" * 27],
                         ids=["right", "erased", "torn"])
def test_a_moved_dump_is_found_by_the_copy_that_counts(second: bytes) -> None:
    """A copy that is erased or torn does not speak against the layout."""
    Path("moved.bin").write_bytes(b"\xff" * 48 + image(settings(255, 0x0250, 7), second))
    result = run("unpack", "old.toml", "moved.bin", "--json")
    assert 0 == result.exit_code, result.output
    groups = {g["name"]: g for g in json.loads(result.stdout)["groups"]}
    assert 190042 == groups["head"]["values"]["serial"]["value"]


@pytest.mark.parametrize("words", [
    ("bytes", "old.toml", "torn.bin", "--at", "settings.flow", "--at", "head.made", "--at", "0x40",
     "--at", "0x09.3"),
    ("bytes", "old.toml", "torn.bin"), ("differ", "old.toml", "sound.bin", "torn.bin"),
    ("check", "old.toml"),
])
def test_other_commands_take_it(words: tuple[str, ...]) -> None:
    """Every command that reads dumps does."""
    result = run(*words)
    assert result.exit_code in (0, 1) and result.output
