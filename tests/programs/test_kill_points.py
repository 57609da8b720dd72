"""The program that cuts every work on a part in every way counts what it does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.bus.kills import Campaign
from tests.programs.kill_points import main


def test_the_program_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str],
                            monkeypatch: pytest.MonkeyPatch) -> None:
    """One work on one part: the same lines on the screen and in the file; and what an oracle
    says against it is counted and told."""
    made = tmp_path / "kill_points.txt"
    one = ("--part", "24LC16B", "--work", "write", "--jobs", "1", "--chances", "1")
    assert 0 == main([*one, "--to", str(made)])
    command, _, *lines = made.read_text("utf-8").splitlines()
    assert "python -m tests.programs.kill_points --chances 1" == command
    assert capsys.readouterr().out.splitlines() == lines
    assert re.fullmatch(r"1 page writes, 1[23] cuts, 0 violations", lines[-1])

    def broken(self: Campaign, image: bytes) -> None:
        raise AssertionError("both are gone")

    monkeypatch.setattr(Campaign, "check_torn", broken)
    assert 1 == main(one)
    said = capsys.readouterr().out
    assert " 12 violations\n" in said and "AssertionError both are gone" in said
