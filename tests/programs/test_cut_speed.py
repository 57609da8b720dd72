"""The program that prints how fast power cuts are judged."""

from __future__ import annotations

import json

import pytest

from tests.programs.cut_speed import main


def test_speeds_for_programs(capsys: pytest.CaptureFixture[str]) -> None:
    """Two stores on this computer, each with what was run in which time."""
    assert 0 == main(["--native", "--json"])
    rows = json.loads(capsys.readouterr().out)["speeds"]
    assert [("one group of one page", "this computer"), ("tank_probe", "this computer")] == [
        (row["store"], row["engine"]) for row in rows]
    assert all(row["boots"] > 50_000 and row["boots_per_second"] > 0 for row in rows)
