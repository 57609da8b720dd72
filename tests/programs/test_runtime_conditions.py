"""The program that measures which conditions of the runtime decide: what it demands."""

from __future__ import annotations

import re
from pathlib import Path

from paramstore.firmware.generate import runtime_files
from tests.programs.runtime_conditions import ARGUED, Argued, Decision, not_shown

FIGURES = Path(__file__).parent / "figures" / "runtime_conditions.txt"

DECISIONS = [Decision(7, "a && b", (True, True)), Decision(9, "c || d", (True, False))]


def test_a_condition_that_never_decides_is_named() -> None:
    """With its line, unless there is an argument for it."""
    assert ["9: condition 1 never decides alone: c || d"] == not_shown(DECISIONS, ())
    assert [] == not_shown(DECISIONS, (Argued("c || d", 1, "it cannot"),))


def test_an_argument_must_hold() -> None:
    """One for what was shown all the same, or is not there any more, is an error."""
    argued = (Argued("c || d", 1, "it cannot"), Argued("a && b", 0, "shown"),
              Argued("e", 0, "gone"))
    assert ["argued, but shown or not there any more: condition 0 of a && b",
            "argued, but shown or not there any more: condition 0 of e"] == not_shown(
                DECISIONS, argued)


def test_arguments_are_about_the_runtime_as_it_is() -> None:
    """Each decision that is argued about stands in it once."""
    runtime = " ".join(runtime_files()["paramstore.c"].split())
    assert [1] * len(ARGUED) == [runtime.count(argued.decision) for argued in ARGUED]


def test_the_figures_kept_are_complete() -> None:
    """All conditions were shown, but those argued."""
    text = FIGURES.read_text("utf-8")
    assert "Every other condition was shown." in text
    conditions, shown = (int(re.search(rf"^{title} +(\d+)$", text, re.MULTILINE)[1])
                         for title in ("conditions in them", "shown to decide alone"))
    assert len(ARGUED) == conditions - shown
