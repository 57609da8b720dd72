"""Campaigns: zero violations, the same totals on any number of processes, within their time."""

from __future__ import annotations

from itertools import pairwise

import pytest

from paramstore.cuts.campaign import run_campaign, run_jobs
from paramstore.cuts.results import Start
from paramstore.cuts.sweeps import Level, positions, sweeps
from paramstore.layout.plan import Ring
from tests.cuts.harnesses import harness
from tests.firmware.builds import EXAMPLES, example_plan


@pytest.mark.parametrize(("name", "histories"), [("minimal", 2_000_000), ("tank_probe", 4_000_000)])
def test_no_promise_is_broken(name: str, histories: int) -> None:
    """The quick campaign: millions of histories, not one violation."""
    progress: list[float] = []
    campaign = run_campaign(example_plan(name), Level.QUICK, workers=2, progress=progress.append)
    assert (0, ()) == (campaign.totals.violation_count, campaign.violations)
    assert campaign.totals.histories.total >= histories
    assert all(a <= b for a, b in pairwise(progress))
    assert 1.0 == progress[-1]


@pytest.mark.long
@pytest.mark.parametrize("name", EXAMPLES)
def test_no_promise_is_broken_in_the_default_campaign(name: str) -> None:
    """Two cuts in all workloads: more than 10^8 histories of the example module."""
    campaign = run_campaign(example_plan(name), Level.DEFAULT, workers=2)
    assert (0, ()) == (campaign.totals.violation_count, campaign.violations)
    if name == "tank_probe":
        assert campaign.totals.histories.total >= 10**8


def test_workers_change_nothing() -> None:
    """The totals of two processes are those of one."""
    built = harness("minimal")
    jobs = list(sweeps(built.plan, Level.QUICK)[1].jobs())
    one = [totals for totals, _ in run_jobs(built, jobs, workers=1)]
    assert one == [totals for totals, _ in run_jobs(built, jobs, workers=2)]


def places(ring: Ring, starts: list[Start]) -> set[tuple[int, bool]]:
    """Slot of the newest record, and whether the ring has been written over, of start states."""
    numbers = [ring.group.copies * (start.rounds + 1) for start in starts if start.packed]
    return {((number - 1) % ring.slots, number > ring.slots) for number in numbers}


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_place_of_every_ring(name: str) -> None:
    """The start states put the newest record in every slot that it can be in after a commit,
    before and after the first lap."""
    plan = example_plan(name)
    starts = positions(plan)
    for ring in plan.rings:
        copies = ring.group.copies
        numbers = range(copies, 3 * ring.slots * copies + 1, copies)
        reachable = {((n - 1) % ring.slots, n > ring.slots) for n in numbers}
        for passed in (False, True):
            assert reachable <= places(ring, [s for s in starts if s.passed is passed or
                                              not s.rounds])


@pytest.mark.parametrize("level", Level)
@pytest.mark.parametrize("name", EXAMPLES)
def test_sweeps(name: str, level: Level) -> None:
    """Every level has something to do on every example, and cuts no deeper than its workloads."""
    found = sweeps(example_plan(name), level)
    assert len(found) >= 2
    assert all(sweep.starts and sweep.alphabets and sweep.operations >= sweep.depth
               for sweep in found)
    assert all(job.seed == 7 for sweep in sweeps(example_plan(name), level, seed=7)
               for job in list(sweep.jobs())[:3])
