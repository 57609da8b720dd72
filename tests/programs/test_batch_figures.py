"""The program that prints what a production run costs."""

from __future__ import annotations

import json

import pytest

from tests.programs.batch_figures import main, measure, report


def test_both_ways_make_the_same_records_and_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """The comparison is one of equal work: `measure` refuses records that differ."""
    assert 0 == main(["--units", "60", "--json"])
    data = json.loads(capsys.readouterr().out)
    assert (60, {"15", "60"}) == (data["units"], set(data["memory_kib"]))
    assert all(value > 0 for value in data.values() if isinstance(value, float))


def test_report_names_the_figures() -> None:
    """One line for each."""
    assert 9 == len(report(measure(60, repeats=1)))
