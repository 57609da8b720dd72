"""The program that prints what a production run costs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from paramstore.core.disk import read_text
from paramstore.production import batch, entries
from paramstore.releases.project import open_project
from tests.programs.batch_figures import SCHEMA, main, measure, most_memory, report


def test_both_ways_make_the_same_records_and_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """The comparison is one of equal work: `measure` refuses records that differ."""
    assert 0 == main(["--units", "60", "--json"])
    data = json.loads(capsys.readouterr().out)
    assert (60, {"6", "60", "600"}) == (data["units"], set(data["memory_kib"]))
    assert all(value > 0 for value in data.values() if isinstance(value, float))


def test_memory_does_not_grow_with_the_table(tmp_path: Path,
                                             monkeypatch: pytest.MonkeyPatch) -> None:
    """Four times the units need about the same, once chunks and caches are full."""
    monkeypatch.setattr(batch, "_BLOCK_MOST", 16)
    monkeypatch.setattr(entries, "_CACHED", 16)
    plan = open_project(read_text(SCHEMA)).plan
    _, few, many = (most_memory(plan, tmp_path / str(n), n) for n in (10, 150, 600))
    assert many < 1.2 * few  # the first run imported what is imported late


def test_report_names_the_figures() -> None:
    """One line for each."""
    assert 9 == len(report(measure(60, repeats=1)))
