"""The kept count of boots with power lost inside reads, and the program that makes it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.programs.read_cuts import main

KEPT = Path(__file__).parent / "figures" / "read_cuts.txt"


def test_the_kept_count() -> None:
    """10^7 boots and more, and no violation."""
    found = re.search(r"^([\d,]+) boots, 0 violations$", KEPT.read_text("utf-8"), re.M)
    assert found is not None and int(found[1].replace(",", "")) >= 10**7


def test_the_program_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A few boots: the same lines on the screen and in the file."""
    made = tmp_path / "read_cuts.txt"
    assert 0 == main(["--boots", "2000", "--to", str(made)])
    command, _, *lines = made.read_text("utf-8").splitlines()
    assert "python -m tests.programs.read_cuts --boots 2000" == command
    assert capsys.readouterr().out.splitlines() == lines
    assert lines[-1].endswith(" boots, 0 violations")
