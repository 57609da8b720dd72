"""The kept count of cuts in works on a part, and the program that makes it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.bus.kills import PARTS, TEARS, WORKS, Campaign
from tests.bus.test_kill_points import PAGES
from tests.programs.kill_points import CHANCES, main

KEPT = Path(__file__).parent / "figures" / "kill_points.txt"


def test_the_kept_count() -> None:
    """All parts, all works, every page write in every way, and no violation."""
    text = KEPT.read_text("utf-8")
    rows = {(part, work): (int(points), int(cuts.replace(",", ""))) for part, work, points, cuts in
            re.findall(r"^(\S+) +(\S.*?) +(\d+) +([\d,]+) +0$", text, re.M)}
    assert rows.keys() == {(part, work) for part in PARTS for work in WORKS}
    for (part, work), (points, cuts) in rows.items():
        assert PAGES[work][PARTS.index(part)] == points
        assert points * (len(TEARS) + CHANCES) <= cuts <= points * (len(TEARS) + 2 * CHANCES)
    total = sum(cuts for _, cuts in rows.values())
    assert text.endswith(f"\n334 page writes, {total:,} cuts, 0 violations\n")


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
