"""Damaged images of units whose past is known: nothing is served wrong without a word."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.programs import damaged_images

FIGURES = Path(__file__).parent / "figures" / "damaged_images.txt"


def check(outcomes: list[damaged_images.Outcome]) -> None:
    """No group is served wrong without a finding, and nothing is said that is not so."""
    assert [] == [o for o in outcomes if o.false or "wrong" in dict(o.groups).values()]


def test_no_damage_is_served_without_a_word() -> None:
    """Some images of each kind; groups of one and of two copies."""
    outcomes = damaged_images.run(6 * len(damaged_images.KINDS), 3)
    check(outcomes)
    served = {word for o in outcomes for _, word in o.groups}
    assert {"right", "flagged", "refused"} <= served
    assert {1, 2} == {damaged_images.PLAN.ring(g).group.copies for g in damaged_images.GROUPS}


def test_the_figures_are_of_enough_images() -> None:
    """What is kept: 4,000 and more, none wrong."""
    text = FIGURES.read_text("utf-8")
    images = int(text.splitlines()[1].split()[0].replace(",", ""))
    wrong = {line.split()[-1] for line in text.splitlines() if line.startswith("groups of")}
    assert images >= 4000 and {"0"} == wrong and "\n0 things said that are not so\n" in text


@pytest.mark.long
def test_thousands_of_damaged_images() -> None:
    """The same with another seed."""
    check(damaged_images.run(4000, 2))
