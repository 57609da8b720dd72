"""One law for every command: what is wrong with an input is its answer, as text and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from host_tools.commands import SUMMARIES
from host_tools.main import main

LINES = {
    "tour": "bad.toml",
    "check": "bad.toml",
    "plan": "bad.toml",
    "generate": "bad.toml -o made",
    "freeze": "bad.toml",
    "compare": "bad.toml",
    "migrate": "bad.toml part.bin -o made.bin",
    "prove": "bad.toml",
    "calibrate": "bad.toml recipe.toml points.csv",
    "pack": "bad.toml -o made.bin",
    "batch": "bad.toml units.csv -o made --records records.db",
    "write": "bad.toml --part-file part.bin --values values.toml",
    "verify": "bad.toml --part-file part.bin --values values.toml",
    "erase": "bad.toml --part-file part.bin",
    "read": "bad.toml --part-file part.bin -o made.bin",
    "unpack": "bad.toml part.bin",
    "examine": "bad.toml part.bin",
    "bytes": "bad.toml part.bin",
    "differ": "bad.toml part.bin part.bin",
    "salvage": "bad.toml part.bin -o made.bin",
    "transcribe": "bad.toml part.bin -o made.hex",
}
"""A line for each command that reads a schema: `parts` reads none, `units` that of its records."""


@pytest.fixture
def bad(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with inputs that are fine, but for a key that no schema has."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bad.toml").write_text('[store]\nname = "x"\npart = "24LC32A"\nwrong = 1\n')
    (tmp_path / "part.bin").write_bytes(b"\xFF" * 4096)
    for name in ("recipe.toml", "points.csv", "units.csv", "values.toml"):
        (tmp_path / name).write_text("")
    return tmp_path


def run(*words: str) -> Result:
    return CliRunner().invoke(main, words)


def test_every_command_is_tried() -> None:
    """A new command joins, or is one that reads no schema."""
    assert set(LINES) == set(SUMMARIES) - {"parts", "units"}


@pytest.mark.parametrize("name", LINES)
def test_a_mistake_is_the_answer(bad: Path, name: str) -> None:
    """Exit code 1, the finding on stdout, nothing on stderr; the same as JSON; nothing is made."""
    before = sorted(bad.iterdir())
    result = run(name, *LINES[name].split())
    assert (1, "") == (result.exit_code, result.stderr)
    assert "bad.toml:4:1: error PS104" in result.stdout
    as_json = run(name, *LINES[name].split(), "--json")
    assert (1, "") == (as_json.exit_code, as_json.stderr)
    assert "PS104" in {f["code"] for f in json.loads(as_json.stdout)["findings"]}
    assert before == sorted(bad.iterdir())
