"""The kept figures of calibration, and the program that makes them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from scipy.stats import binom

from paramstore.calibrate.outliers import CHANCE
from tests.programs.calibration_figures import AGREEMENT, COVERAGE, FALSE, TOLD, main
from tests.programs.calibration_models import CASES

KEPT = Path(__file__).parent / "figures" / "calibration.txt"


def test_the_kept_figures() -> None:
    """For each model agreement, coverage and what is told are as promised. False outliers are so
    over all tables; those of one model are no more than the chance that is set would give in 99 of
    100 runs, for that many tables cannot show 6 %."""
    text = KEPT.read_text("utf-8")
    false = total = 0.0
    for case in CASES:
        row = re.search(rf"^{re.escape(case.name)}  +(.*)$", text, re.M)
        assert row is not None, case.name
        cells = [float(cell.replace(",", "")) for cell in row[1].split()]
        tables, apart = cells[0], cells[1] if case.solve else 0.0
        inside, _, wrong, told, unknown = cells[-5:]
        assert tables >= (50 if case.chosen else 200)
        assert apart <= AGREEMENT and told >= 100 * TOLD and unknown == 0
        assert 100 * COVERAGE[0] <= inside <= 100 * COVERAGE[1]
        assert wrong * tables / 100 <= binom.ppf(0.99, tables, CHANCE) + 0.5  # it was rounded
        false += wrong * tables
        total += tables
    assert false <= 100 * FALSE * total


def test_the_program_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A few tables: the library agrees, the same lines on the screen and in the file."""
    made = tmp_path / "calibration.txt"
    assert 0 == main(["--tables", "3", "--chosen", "1", "--to", str(made)])
    command, _, *lines = made.read_text("utf-8").splitlines()
    assert "python -m tests.programs.calibration_figures --tables 3 --chosen 1" == command
    assert capsys.readouterr().out.splitlines() == lines
    assert lines[-1] == "33 tables, 0 models with a broken promise"
