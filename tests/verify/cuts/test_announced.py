"""What a later release loses of a stored value was announced (invariant I18)."""

from __future__ import annotations

import random
from functools import cache

import pytest

from paramstore.core.errors import ToolError
from paramstore.image.contents import unpack
from paramstore.layout.plan import Plan
from paramstore.releases.changes import Change
from paramstore.releases.versions import changes_along
from paramstore.verify.cuts import announced
from paramstore.verify.cuts.announced import (
    Announced,
    Became,
    UnitCase,
    judge_units,
    parse_unit,
    replay_unit,
    unit_text,
)
from paramstore.verify.cuts.build import build_harness, build_library
from paramstore.verify.cuts.edges import UnitMaker
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.cuts.results import Verdict
from paramstore.verify.rig.native import NativeTarget
from tests.releases.histories import grown, tank_probe
from tests.verify.cuts.harnesses import broken_runtime, fresh_folder
from tests.verify.cuts.releases import plans

UNITS = range(24)


@cache
def explorer(line: tuple[Plan, ...]) -> Explorer:
    """The firmware of the last plan."""
    return build_harness(line[-1], fresh_folder()).explorer()


def judged(line: tuple[Plan, ...], at: int) -> Announced:
    return judge_units(explorer(line), line[:-1], at, UNITS)


@pytest.mark.parametrize("line", [plans(), tank_probe().plans], ids=["losses", "tank_probe"])
def test_what_is_lost_was_announced(line: tuple[Plan, ...]) -> None:
    """Units of every earlier release, of these some that still hold records of the one before."""
    for at, former in enumerate(line[:-1]):
        found = judged(line, at)
        assert (former.release, len(UNITS), 0, None) == (
            found.release, found.units, found.violations, found.first)
        assert found.became[Became.SAME] > found.values // 3
        assert bool(found.named) or not found.became[Became.DEFAULT]


def test_every_way_to_lose_a_value_is_met() -> None:
    """From release 1 values are rounded, cut, replaced and retired; from release 2 one is replaced,
    where the unit holds none of the parameter that has another default now."""
    first, second = (judged(plans(), at) for at in (0, 1))
    assert all(first.became[became] > 0 for became in Became)
    assert ("alarms.hi", "settings.heat", "settings.level", "settings.low", "settings.mode",
            "settings.row", "settings.top") == first.named
    assert 0 < second.became[Became.DEFAULT] < first.became[Became.DEFAULT]
    assert ("alarms.hi",) == second.named


@pytest.mark.parametrize("seed", range(3))
def test_random_histories(seed: int) -> None:
    """Whatever was edited."""
    line = grown(random.Random(seed), 3).plans
    for at in range(len(line) - 1):
        assert None is judged(line, at).first


def test_values_lie_on_edges() -> None:
    """On both sides of each limit and of each default that a rule compares with, as far as the
    release of the unit allows; and two units of one number are the same."""
    maker = UnitMaker.of(plans()[:1], plans()[1:])
    held: dict[str, set[float]] = {}
    for number in range(300):
        for group in unpack(plans()[0], maker.unit(number, 1)).groups:
            for name, raws in group.values.items():
                held.setdefault(name, set()).update(raws)
    assert {0, 49, 50, 51, 69, 70, 71, 99, 100, 101, 199, 200} <= held["hi"]
    assert {9, 10, 11, 12, 13, 199, 200} <= held["level"] and max(held["level"]) == 200
    assert {0, 9, 10, 11, 89, 90} <= held["low"] and {0, 1, 2} == held["mode"]
    assert {-4000, -3999, 8999, 9000} <= held["heat"]
    assert maker.unit(7, 1) == maker.unit(7, 1) != maker.unit(7, 2)


def test_a_loss_that_nobody_announced_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the value before and after it; the case that it names shows it again."""
    def silent(line: tuple[Plan, ...]) -> tuple[Change, ...]:
        return tuple(c for c in changes_along(line) if c.code != "PS770")

    monkeypatch.setattr(announced, "changes_along", silent)
    found = judged(plans(), 0)
    assert found.violations > 0 and found.first is not None
    assert (Verdict.UNTOLD, "alarms.hi", "100") == (
        found.first.verdict, found.first.where, found.first.after)
    assert int(found.first.before) <= 70
    again = replay_unit(plans()[-1], plans()[:-1], found.first.case)
    assert (1, found.first) == (again.units, again.first)


def test_firmware_that_serves_something_else_is_told() -> None:
    """A value outside its limits that stays: the C differs from what the host says."""
    runtime = broken_runtime("default_parameter(store, field);", "(void)field;")
    pictures = make_pictures(plans()[-1])
    library = build_library(plans()[-1], pictures, fresh_folder(), runtime=runtime)
    broken = Explorer(plans()[-1], pictures, NativeTarget(library))
    found = judge_units(broken, plans()[:-1], 0, UNITS).first
    assert found is not None
    assert (Verdict.DIFFERENT, "C") == (found.verdict, found.engine)


def test_text_there_and_back() -> None:
    """A unit is one word that a shell leaves alone."""
    case = UnitCase(2, 17, 31)
    assert "RELEASE2,UNIT=17.x1f" == unit_text(case)
    assert case == parse_unit(unit_text(case))
    assert None is parse_unit("RELEASE2,BOOT") is parse_unit("FACTORY,BIT=1.x1")
    with pytest.raises(ToolError, match="no earlier release 4"):
        replay_unit(plans()[-1], plans()[:-1], UnitCase(4, 0))
