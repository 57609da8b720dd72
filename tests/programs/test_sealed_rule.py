"""The rule of sealed commits holds in random histories, and each part of it is needed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.programs import sealed_rule
from tests.programs.sealed_rule import MISTAKES, Setting, Totals

HISTORIES = 4000


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled rule."""
    return sealed_rule.build(tmp_path_factory.mktemp("rule"))


def measured(program: Path, words: str) -> Totals:
    return sealed_rule.measure(program, Setting("", words, harsh=True), HISTORIES, 1, 1)


def test_nothing_is_lost(program: Path) -> None:
    """With the whole rule no boot steps back, and every way to boot was taken."""
    found = measured(program, "")
    assert (0, 0, 0) == (found.older, found.defaults, found.back)
    assert HISTORIES == found.histories and found.unsettled > HISTORIES < found.cuts


@pytest.mark.parametrize("words", MISTAKES.values(), ids=MISTAKES)
def test_every_part_of_the_rule_is_needed(program: Path, words: str) -> None:
    """Without it something is lost or steps back."""
    found = measured(program, words)
    assert found.older + found.defaults + found.back > 0


def test_the_newest_right_record_is_not_enough(program: Path) -> None:
    """The rule of today steps back, and settled at each boot it loses values."""
    assert measured(program, "rule 0 slots 3").back > 0
    settled = measured(program, "rule 1 slots 3")
    assert settled.older + settled.defaults > 0


def test_the_same_seed_gives_the_same_totals(program: Path) -> None:
    """However the histories are divided."""
    whole = sealed_rule.run(program, [], 0, 300, 7)
    assert whole == sealed_rule.run(program, [], 0, 100, 7).plus(
        sealed_rule.run(program, [], 100, 200, 7))
