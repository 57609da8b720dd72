"""The kept figures of the long campaign, and the program that makes them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from paramstore.verify.cuts.faults import FaultClass
from tests.firmware.builds import SCHEMAS, example_plan
from tests.programs import long_campaign
from tests.programs.long_campaign import FIGURES, main


def test_kept_figures_are_of_the_plan_of_today() -> None:
    """Some 90 million histories of tank_probe as it is laid out now, and no violation."""
    kept = json.loads(FIGURES.read_text("utf-8"))
    assert kept["command"].startswith("python -m tests.programs.long_campaign ")
    assert example_plan("tank_probe").layout_id == kept["layout_id"]
    assert kept["histories"] >= 9 * 10**7
    assert 0 == kept["violations"] == sum(fault["violations"] for fault in kept["faults"])
    assert [kind.name for kind in FaultClass] == [fault["class"] for fault in kept["faults"]]


def test_the_program_writes_what_it_has_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                capsys: pytest.CaptureFixture[str]) -> None:
    """On a smaller store: a file with the command that makes it, and a line that sums it up."""
    monkeypatch.setattr(long_campaign, "SCHEMA", SCHEMAS / "minimal.toml")
    made = tmp_path / "figures.json"
    assert 0 == main(["--quick", "--jobs", "1", "--seed", "3", "-o", str(made)])
    data = json.loads(made.read_text("utf-8"))
    assert "python -m tests.programs.long_campaign --quick --jobs 1 --seed 3" == data["command"]
    told = capsys.readouterr().out
    assert told.startswith(f"{data['histories']:,} histories, ") and " 0 violations: " in told
