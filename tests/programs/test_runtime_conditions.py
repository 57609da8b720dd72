"""The program that measures which conditions of the runtime decide: what it demands."""

from __future__ import annotations

from tests.programs.runtime_conditions import Argued, Decision, not_shown

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
