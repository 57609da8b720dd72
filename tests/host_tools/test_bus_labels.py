"""Parts whose label does not tell all: no label, a damaged one, one of another release or part."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bus.kills import SCHEMA as SMALL
from tests.host_tools.part_bench import SCHEMA, lay_out, run

LABELS = slice(0, 64)
"""Both copies, on pages of 32 bytes."""


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with the image of the shipped values."""
    monkeypatch.chdir(tmp_path)
    return lay_out(tmp_path)


def part(image: bytes | bytearray) -> tuple[str, str]:
    Path("part.bin").write_bytes(image)
    return "--part-file", "part.bin"


def image_of(schema: str | Path, *more: str) -> bytearray:
    assert 0 == run("pack", schema, *more, "-o", "made.bin").exit_code
    return bytearray(Path("made.bin").read_bytes())


def pump_of_two_releases() -> bytearray:
    """pump.toml, in whose second release the rings lie elsewhere; return a unit of the first."""
    first = SMALL.format(part="24LC32A")
    Path("pump.toml").write_text(first, "utf-8")
    assert 0 == run("freeze", "pump.toml").exit_code
    image = image_of("pump.toml", "--set", "trim.gain=5", "--set", "user.limit=6")
    later = first.replace('name = "pump"', 'name = "pump"\nseries = 1').replace(
        "room = 0\n[group.trim", "room = 40\n[group.trim")
    Path("pump.toml").write_text(later, "utf-8")
    assert 0 == run("freeze", "pump.toml").exit_code
    return image


def test_a_release_that_no_label_tells_is_asked_for(bench: Path) -> None:
    """`read` takes the option that it names, and shows the values as that release has them;
    `write` and `verify` say that it is not known, before anything is written."""
    image = image_of(SCHEMA, "--release", "2", "--set", "settings.interval=33")
    image[LABELS] = bytes(64)
    at = part(image)
    said = run("read", SCHEMA, *at)
    assert "PS658: no label tells which release wrote the part: it is read by" in said.output
    assert "  mend  give the release of the unit: --release\n" in said.output
    second = run("read", SCHEMA, "--release", "2", *at)
    assert "PS658" not in second.output
    unpacked = run("unpack", SCHEMA, "--release", "2", "part.bin")
    assert values(second.stdout) in unpacked.stdout and second.stdout != said.stdout
    for command in ("write", "verify"):
        told = run(command, SCHEMA, "--set", "settings.interval=40", *at)
        assert "PS658: no label tells which release wrote the part" in told.output
        assert "`paramstore read --release`" in told.output
    assert "there is no release 9" in run("read", SCHEMA, "--release", "9", *at).output


def values(shown: str) -> str:
    """What is shown of a part between the findings about all of it and those about its parts."""
    return shown[shown.index(" on the 24LC"):shown.index("slots: #")]


def test_the_rings_of_every_release_are_read_if_no_label_names_one(bench: Path) -> None:
    """So a part is the same for `read` as its dump for `unpack`, though rings lie elsewhere."""
    image = pump_of_two_releases()
    image[LABELS] = bytes(64)
    at = part(image)
    said = run("read", "pump.toml", *at)
    assert "gain   5\n" in said.stdout and "limit  6\n" in said.stdout
    assert values(said.stdout) in run("unpack", "pump.toml", "part.bin").stdout
    assert run("read", "pump.toml", "--release", "1", *at).stdout == said.stdout


def test_verify_tells_of_a_damaged_label(bench: Path) -> None:
    """The values are equal all the same, and a write mends it."""
    image = bytearray((bench / "unit.bin").read_bytes())
    for spoilt, code in ((5, "PS606"), (37, "PS605")):
        image[spoilt] ^= 1
        at = part(image)
        told = run("verify", SCHEMA, "unit.bin", *at)
        assert (0, True) == (told.exit_code, f"warning {code}: " in told.output)
    assert 0 == run("write", SCHEMA, "unit.bin", "--yes", *at).exit_code
    assert "warning" not in run("verify", SCHEMA, "unit.bin", *at).output


def test_a_part_of_half_the_size_is_read_whole(bench: Path) -> None:
    """What lies in the other half is missing, and not said to be never written."""
    half = (bench / "unit.bin").read_bytes()[:2048]
    said = run("read", SCHEMA, *part(half * 2))
    assert 1 == said.exit_code and "PS653: address line A11" in said.output
    assert "counters: bytes are missing" in said.stdout and "never written" not in said.output


def test_no_message_about_a_part_speaks_of_a_dump(bench: Path) -> None:
    """Whatever is wrong with labels, rings, releases and address lines."""
    unit = (bench / "unit.bin").read_bytes()
    old = image_of(SCHEMA, "--release", "1")
    images = {
        "no label": b"\xff" * 64 + unit[64:], "a release": bytes(old),
        "no label, a release": bytes(64) + old[64:], "noise": bytes(range(256)) * 16,
        "shifted": b"hello" + unit[:-5], "swapped": bytes(unit[i ^ 1] for i in range(4096)),
        "one label": bytes(32) + unit[32:],
        **{f"line {bit}": bytes(unit[at & ~(1 << bit)] for at in range(4096))
           for bit in range(3, 12)},
        **{f"line {bit} high": bytes(unit[at | 1 << bit] for at in range(4096))
           for bit in range(3, 12)},
    }
    for name, image in images.items():
        at = part(image)
        for command in (("read", SCHEMA), ("read", SCHEMA, "--whole"),
                        ("read", SCHEMA, "--release", "3"),
                        ("write", SCHEMA, "--set", "settings.interval=40"), ("erase", SCHEMA),
                        ("verify", SCHEMA, "unit.bin")):
            said = run(*command, *at)
            assert said.exception is None or isinstance(said.exception, SystemExit), (name, command)
            assert "dump" not in said.output, (name, command)


def test_a_part_without_a_label_is_read_whole(bench: Path) -> None:
    """Only then "every byte" is true, of FF and of the 00 of a line that is held low."""
    for byte, said in ((0xFF, "the part is blank: every byte is FF"), (0, "every byte is 00")):
        assert said in run("read", SCHEMA, *part(bytes([byte]) * 4096)).stdout
        stray = bytes([byte]) * 4095 + b"\x55"
        assert said not in run("read", SCHEMA, *part(stray)).output
