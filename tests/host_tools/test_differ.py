"""`paramstore differ`, as a person calls it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.host_tools.copies import copied_schema
from tests.host_tools.dump_bench import IMAGE, lay_out, run, text_without
from tests.inspect.scenes import PLAN

SCHEMAS = Path(__file__).parents[2] / "schemas"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of the dumps, as the place to work in."""
    monkeypatch.chdir(tmp_path)
    return lay_out(tmp_path)


def test_values_are_compared_with_a_dump(bench: Path) -> None:
    """A unit's dump against the file that it was packed from."""
    (bench / "unit.toml").write_text("[settings]\ninterval = 45\n")
    assert 0 == run("pack", "bench_unit.toml", "--values", "unit.toml", "-o", "unit.bin").exit_code
    same = run("differ", "bench_unit.toml", "unit.bin", "--values", "unit.toml")
    assert (0, "no difference\n") == (same.exit_code, same.stdout)
    other = run("differ", "bench_unit.toml", "sound.bin", "--values", "unit.toml")
    assert 1 == other.exit_code and "settings.interval" in other.stdout


def test_equal_values_in_other_bytes(bench: Path) -> None:
    """Bytes of a store that no value depends on are told, but are no difference of values."""
    (bench / "other.bin").write_bytes(IMAGE[:-1] + bytes([IMAGE[-1] ^ 1]))
    result = run("differ", "bench_unit.toml", "sound.bin", "other.bin")
    assert 0 == result.exit_code
    assert result.stdout.startswith("values equal, bytes differ at 0x0FFF (")


def test_words_of_one_of_two_dumps(bench: Path) -> None:
    """differ takes the order for the dump that has words."""
    (bench / "words.txt").write_text("\n".join(
        f"{at:04X}: {IMAGE[at:at + 16].hex(' ', 2)}" for at in range(0, len(IMAGE), 16)))
    words = ("differ", "bench_unit.toml", "words.txt", "sound.bin", "--input-words", "big")
    assert (0, "no difference\n") == (run(*words).exit_code, run(*words).stdout)


def test_differ_tells_what_was_not_read(bench: Path) -> None:
    """A byte that one dump lacks is no FF, and no value is told for a group that was not read."""
    ring = PLAN.ring("settings")
    rows = range(ring.address(0), ring.address(ring.slots), 16)
    (bench / "gap.txt").write_text(text_without(*rows))
    result = run("differ", "bench_unit.toml", "sound.bin", "gap.txt", "--bytes")
    assert 1 == result.exit_code and "no record" not in result.stdout
    assert "  settings.mode  manual -> not in the dump\n" in result.stdout
    lines = [line for line in result.stdout.split("Bytes\n")[1].splitlines() if "->" in line]
    assert lines and all(line.endswith(" -> not read") for line in lines)
    data = json.loads(run("differ", "bench_unit.toml", "gap.txt", "sound.bin", "--bytes",
                          "--json").stdout)
    assert {None} == {r["before"] for r in data["bytes"]}
    assert [{"before": "not in the dump"}] * len(data["parameters"]) == [
        p["absent"] for p in data["parameters"] if p["before"] is None]
    (bench / "gap.txt").write_text(text_without(0x800))
    result = run("differ", "bench_unit.toml", "sound.bin", "gap.txt")
    assert (0, "gap.txt: warning PS603: the dump lacks 16 bytes\n  fact  0x0800 to 0x080F\n\n"
            "gap.txt: 1 warning\n"
            "values equal, only one dump has 16 bytes: --bytes shows them\n") == (
        result.exit_code, result.stdout)
    same = run("differ", "bench_unit.toml", "gap.txt", "gap.txt", "--bytes")
    assert 0 == same.exit_code and same.stdout.endswith("gap.txt: 1 warning\nno difference\n")


def test_a_blank_part_is_compared(bench: Path) -> None:
    """What a unit has that a blank part does not is an answer."""
    (bench / "blank.bin").write_bytes(b"\xff" * 4096)
    result = run("differ", "bench_unit.toml", "blank.bin", "sound.bin")
    assert (1, True) == (result.exit_code, "settings.mode  no record -> manual" in result.stdout)


def test_a_dump_is_compared_with_what_its_unit_was_made_with(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the serial number in it, or the one that is given; a dump without one says so."""
    monkeypatch.chdir(tmp_path)
    schema, records = copied_schema(tmp_path), "tank_probe.units.db"
    assert 0 == run("batch", schema, SCHEMAS / "tank_probe.units.csv", "--new-serials",
                    "TP-26-####",
                    "-o", "images").exit_code
    unit = Path("images/TP-26-0003.bin")
    same = run("differ", schema, unit, "--records", records)
    assert (0, "no difference\n") == (same.exit_code, same.stdout)
    other = run("differ", schema, unit, "--records", records, "--serial", "TP-26-0002")
    assert 1 == other.exit_code
    assert '  identity.serial  "TP-26-0002" -> "TP-26-0003"\n' in other.stdout
    image = unit.read_bytes()
    Path("log.txt").write_text("\n".join(f"{at:04X}: {image[at:at + 16].hex(' ')}"
                                         for at in range(0, 4096, 16) if not 64 <= at < 256))
    Path("blank.bin").write_bytes(b"\xff" * 4096)
    for dump in ("log.txt", "blank.bin"):
        refused = run("differ", schema, dump, "--records", records)
        assert (2, "") == (refused.exit_code, refused.stdout)
        assert f"`{dump}` holds no serial number" in refused.stderr
    told = run("differ", schema, "log.txt", "--records", records, "--serial", "TP-26-0003")
    assert 1 == told.exit_code
    assert '  identity.serial  "TP-26-0003" -> not in the dump\n' in told.stdout
