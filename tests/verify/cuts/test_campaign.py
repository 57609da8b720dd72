"""Campaigns: zero violations, the same totals on any number of processes, within their time."""

from __future__ import annotations

import shutil
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from paramstore.layout.plan import Ring
from paramstore.verify.cuts import build
from paramstore.verify.cuts import campaign as campaigns
from paramstore.verify.cuts.campaign import run_campaign, run_jobs
from paramstore.verify.cuts.history import parse_history
from paramstore.verify.cuts.migrations import replay_migration
from paramstore.verify.cuts.results import Start
from paramstore.verify.cuts.sweeps import Level, positions, sweeps
from paramstore.verify.cuts.workers import Workers
from tests.firmware.builds import EXAMPLES, example_plan
from tests.releases.histories import tank_probe
from tests.verify.cuts.harnesses import broken_runtime, harness


@pytest.mark.parametrize(("name", "histories"), [("minimal", 600_000), ("tank_probe", 4_000_000)])
def test_no_promise_is_broken(name: str, histories: int) -> None:
    """The quick campaign: hundreds of thousands of histories or more, not one violation."""
    progress: list[float] = []
    campaign = run_campaign(example_plan(name), Level.QUICK, workers=2, progress=progress.append)
    assert (0, ()) == (campaign.totals.violation_count, campaign.violations)
    assert campaign.totals.histories.total >= histories
    assert all(a <= b for a, b in pairwise(progress))
    assert 1.0 == progress[-1]


@pytest.mark.long
@pytest.mark.parametrize("name", EXAMPLES)
def test_no_promise_is_broken_in_the_thorough_campaign(name: str) -> None:
    """Two cuts in all workloads: some 90 million histories of the example module."""
    campaign = run_campaign(example_plan(name), Level.THOROUGH, workers=2)
    assert (0, ()) == (campaign.totals.violation_count, campaign.violations)
    if name == "tank_probe":
        assert campaign.totals.histories.total >= 8 * 10**7


def test_workers_change_nothing() -> None:
    """The totals of two processes are those of one."""
    built = harness("minimal")
    jobs = list(sweeps(built.plan, Level.QUICK)[1].jobs())
    with Workers(built, 1) as one, Workers(built, 2) as two:
        alone, shared = ([totals for totals, _ in run_jobs(workers, built.plan, jobs)]
                         for workers in (one, two))
    assert alone == shared


def test_addresses_change_nothing(tmp_path: Path) -> None:
    """The totals are the same wherever the harness is loaded: a copy of it lies elsewhere."""
    built = harness("minimal")
    copied = replace(built, library=Path(shutil.copy(built.library, tmp_path / "elsewhere")))
    jobs = list(sweeps(built.plan, Level.QUICK)[1].jobs())
    here, there = ([e.run(job) for job in jobs] for e in (built.explorer(), copied.explorer()))
    assert here == there


@pytest.fixture
def no_sweeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """A campaign without its sweeps: what is left are faults, units of earlier releases, migrations
    and wear. That nothing breaks in the sweeps is shown above."""
    monkeypatch.setattr(campaigns, "sweeps", lambda *_: ())


@pytest.mark.usefixtures("no_sweeps")
def test_parts_of_earlier_releases() -> None:
    """With the releases before it, a campaign cuts the migration of each; no promise is broken."""
    plans = tank_probe().plans
    campaign = run_campaign(plans[2], Level.QUICK, earlier=plans[:2], workers=2)
    assert [1, 2] == [taken.release for taken in campaign.migrations]
    assert all(taken.totals.histories.total > 1000 for taken in campaign.migrations)
    assert campaign.sound


@pytest.mark.usefixtures("no_sweeps")
def test_a_broken_migration_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """A violation in a migration counts as one, and its history replays with the same verdict."""
    runtime = broken_runtime("        status = commit_migrated(store);\n", "")
    monkeypatch.setattr(build, "runtime_files", lambda: runtime)
    plans = tank_probe().plans
    campaign = run_campaign(plans[2], Level.QUICK, earlier=plans[:2], workers=2)
    assert not campaign.sound and 0 == campaign.totals.violation_count
    shown = next(s for s in campaign.violations if s.replay.startswith("RELEASE1,"))
    history = parse_history(plans[2], shown.replay)
    again = replay_migration(plans[2], plans[:2], history)
    assert again is not None and shown.violation.verdict is again.verdict


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
