"""The program that measures coverage of the runtime: what it demands, and what it found last."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from paramstore.firmware.generate import runtime_files
from tests.programs.runtime_coverage import ARGUED, Argued, Line, main, not_run

FIGURES = Path(__file__).parent / "figures" / "runtime_coverage.txt"
LINES = [
    Line(1, "f", "if (a && b) {", 9, (5, 4, 3, 2)),
    Line(2, "f", "if (never()) {", 9, (0, 9)),
    Line(3, "f", "return 1;", 0, ()),
]
WHY = Argued("f", "if (never()) {", (0,), "it never does")


def test_what_was_not_run_is_named() -> None:
    """Each line and each way out of a condition, unless there is an argument for it."""
    line, branch = "3: not run: return 1;", (
        "2: branches [0] of 2 not taken, in f: if (never()) {")
    assert [branch, line] == not_run(LINES, ())
    assert [line] == not_run(LINES, (WHY,))


@pytest.mark.parametrize("argued", [
    Argued("f", "if (a && b) {", (3,), "it was run"),
    Argued("f", "if (gone) {", (0,), "the line is not there"),
    Argued("g", "if (never()) {", (0,), "it is in another function"),
])
def test_an_argument_must_hold(argued: Argued) -> None:
    """One for what was run all the same, or for what is not there any more, is an error."""
    wrong = not_run(LINES[:2], (WHY, argued))
    assert 1 == len(wrong)
    assert wrong[0].startswith("argued, but taken or not there any more")


def test_arguments_are_about_the_runtime_as_it_is() -> None:
    """Each line that is argued about stands in it once."""
    lines = [line.strip() for line in runtime_files()["paramstore.c"].splitlines()]
    assert [1] * len(ARGUED) == [lines.count(argued.line) for argued in ARGUED]


def test_the_figures_kept_are_complete() -> None:
    """All lines were run, and all branches but those argued."""
    text = FIGURES.read_text("utf-8")
    assert "Everything else was run." in text
    found = re.search(r"^and tests +(\d+) +(\d+) +(\d+) +(\d+)$", text, re.MULTILINE)
    assert found is not None
    lines, all_lines, taken, branches = map(int, found.groups())
    assert lines == all_lines
    assert sum(len(argued.branches) for argued in ARGUED) == branches - taken


@pytest.mark.long
def test_everything_is_run_or_argued(capsys: pytest.CaptureFixture[str]) -> None:
    """The campaign and the tests run every line and take every branch."""
    assert 0 == main([]), capsys.readouterr().out
