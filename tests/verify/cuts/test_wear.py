"""Wear in accelerated time: a ring lives as long as predicted, wears evenly, and loses nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.firmware.generate import runtime_files
from paramstore.layout.figures import figures
from paramstore.layout.physics import DAYS_PER_YEAR
from paramstore.verify.cuts.histories import build_lives, one_group_plan
from paramstore.verify.cuts.wear import wear_out, wear_rings
from tests.firmware.builds import example_plan


@pytest.mark.parametrize(("slots", "copies", "rest", "endurance"), [
    (16, 1, 19, 100_000), (8, 1, 51, 20_000), (9, 2, 19, 20_000), (2, 1, 19, 20_000)])
def test_life_is_as_predicted_and_pages_wear_alike(slots: int, copies: int, rest: int,
                                                   endurance: int, tmp_path: Path) -> None:
    """To the commit: the first write that is refused is the first one beyond the endurance."""
    plan = one_group_plan(slots, copies, rest=rest, endurance=endurance)
    ring, predicted = plan.rings[0], figures(plan).rings[0]
    worn = wear_out(build_lives(plan, tmp_path), ring.pages, endurance=endurance)
    assert predicted.commits == worn.fresh_commits
    assert predicted.life_years == pytest.approx(
        worn.fresh_commits / ring.group.writes_per_day / DAYS_PER_YEAR)
    assert (endurance, endurance) == (worn.least, worn.greatest)
    assert 1.0 == worn.unevenness
    assert (True, 0, 0) == (worn.ended, worn.lost, worn.outside)
    assert worn.looks >= worn.commits // 1009


@pytest.mark.parametrize(("slots", "copies"), [(3, 1), (5, 1), (9, 2)])
def test_worn_slots_are_passed_over_without_losing_the_newest_value(slots: int, copies: int,
                                                                    tmp_path: Path) -> None:
    """Pages wear out one after another: the ring goes on with fewer slots, to the last commit."""
    plan = one_group_plan(slots, copies)
    worn = wear_out(build_lives(plan, tmp_path), plan.rings[0].pages, endurance=5000, spread=2500)
    assert worn.fresh_commits >= 5000 * slots // copies
    assert worn.commits > worn.fresh_commits + 1000
    assert worn.greatest - worn.least <= 2  # one by turn, one for the slot that was passed over
    assert worn.looks > (worn.commits - worn.fresh_commits) // slots  # once a lap at least
    assert (True, 0) == (worn.ended, worn.lost)


def test_wear_is_even_at_any_moment(tmp_path: Path) -> None:
    """No page is more than one write cycle ahead, wherever the ring stops."""
    plan = one_group_plan(6, 1)
    library = build_lives(plan, tmp_path)
    for commits in (1, 6, 1000):
        worn = wear_out(library, 6, endurance=100_000, most=commits)
        assert (commits, commits, commits) == (worn.commits, worn.fresh_commits, worn.total)
        assert worn.greatest - worn.least <= 1
        assert not worn.ended


@pytest.mark.parametrize("name", ["minimal", "tank_probe"])
def test_rings_of_a_plan(name: str) -> None:
    """Every ring of an example lasts as planned; on uneven pages it goes on, and loses nothing."""
    plan = example_plan(name)
    rings = wear_rings(plan, 20_000)
    assert [r.group.name for r in plan.rings] == [r.group for r in rings]
    for ring in rings:
        assert ring.sound
        assert ring.predicted_commits == ring.even.fresh_commits < ring.uneven.commits
        assert ring.even.ended and ring.uneven.ended


def test_a_write_that_did_not_take_is_noticed(tmp_path: Path) -> None:
    """A runtime that takes what it reads back for right loses values, and the loop sees it."""
    files = runtime_files()
    assert 1 == files["paramstore.c"].count("return PS_ERR_VERIFY;")
    broken = {**files, "paramstore.c": files["paramstore.c"].replace(
        "return PS_ERR_VERIFY;", "return PS_OK;")}
    library = build_lives(one_group_plan(3, 1), tmp_path, runtime=broken)
    worn = wear_out(library, 3, endurance=100, most=400)
    assert (300, 400, 100) == (worn.fresh_commits, worn.commits, worn.refused)
    assert worn.lost >= 100
