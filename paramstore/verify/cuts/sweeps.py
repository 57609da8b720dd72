"""What a campaign does: which workloads, from which start states, within which time.

Plans work, does none (see `campaign`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeVar

from paramstore.layout.plan import Plan
from paramstore.verify.cuts.explorer import MOST_OPERATIONS, ExploreJob
from paramstore.verify.cuts.results import FIRST_GROUP, Operation, Start

__all__ = ["Level", "Sweep", "fault_starts", "job_weight", "positions", "sweeps"]

_Item = TypeVar("_Item")


class Level(StrEnum):
    """How long a campaign may take."""

    QUICK = "quick"  # seconds
    DEFAULT = "default"  # less than two minutes on two processors
    THOROUGH = "thorough"  # several minutes: for the figures that are kept
    LONG = "long"  # hours


_BUDGET_S = {Level.QUICK: 10, Level.DEFAULT: 15, Level.THOROUGH: 600, Level.LONG: 4 * 3600}
"""Time of one sweep on one processor, at most, by estimate and before equal states are merged."""
_MOUNT_US = 0.4
_MOUNT_BYTE_US = 0.008
"""About what a boot takes on a desktop computer, and each byte of the records that it reads: only
good for choosing what to do."""
_SAMPLES = {Level.QUICK: 4, Level.DEFAULT: 8, Level.THOROUGH: 8, Level.LONG: 32}
_SHARES = 4


@dataclass(frozen=True, slots=True)
class Sweep:
    """Every workload of up to `operations` operations out of each of `alphabets`, from each start
    state, with up to `depth` cuts."""

    title: str
    starts: tuple[Start, ...]
    alphabets: tuple[tuple[int, ...], ...]
    operations: int
    depth: int
    samples: int
    seed: int = 1

    def jobs(self) -> Iterator[ExploreJob]:
        """Yield the work in pieces; one that does not cut twice is done at once."""
        for start in self.starts:
            for alphabet in self.alphabets:
                whole = ExploreJob(start, self.operations, self.depth, alphabet, (), self.samples,
                            self.seed)
                if self.depth < 2:
                    yield whole
                    continue
                for first in alphabet:
                    for share in range(_SHARES):
                        yield replace(whole, prefix=(first,), shares=_SHARES, share=share)


def sweeps(plan: Plan, level: Level, seed: int = 1) -> tuple[Sweep, ...]:
    """Return the sweeps of a campaign."""
    used = _last_position(plan)
    starts = (Start(), Start(rounds=used, passed=True), Start(rounds=used), Start(packed=False))
    commits = tuple(FIRST_GROUP + g for g in range(len(plan.rings)))
    working = (Operation.BOOT, Operation.FORMAT, *commits)
    every = ((*working, Operation.WIPE),)
    alone = tuple((Operation.BOOT, Operation.FORMAT, commit) for commit in commits)
    samples = _SAMPLES[level]
    wanted = [
        Sweep("every ring position", positions(plan), (working,), 1, 1, samples, seed),
        Sweep("every workload", starts, every, MOST_OPERATIONS, 1, samples, seed),
        Sweep("two cuts, one group at a time", starts, alone, MOST_OPERATIONS, 2, samples, seed),
    ]
    if level is not Level.QUICK and len(commits) > 1:
        wanted.append(Sweep("two cuts, all groups", starts, (working,), MOST_OPERATIONS, 2,
                            samples, seed))
    if level in (Level.THOROUGH, Level.LONG):  # else the class of cut wipes has to do
        wanted.append(Sweep("two cuts, with wipe", starts, every, 2, 2, samples, seed))
    if level is Level.LONG:
        wanted.append(Sweep("three cuts, one group at a time", starts, alone, MOST_OPERATIONS, 3,
                            samples, seed))
    fitting = (_fitting(plan, sweep, _BUDGET_S[level]) for sweep in wanted)
    return tuple(sweep for sweep in fitting if sweep is not None)


def positions(plan: Plan) -> tuple[Start, ...]:
    """Return the start states: blank, packed, and used up to every place of the newest record in
    every ring, before and after the first lap, with and without a slot passed over."""
    used = (Start(rounds=rounds, passed=passed)
            for rounds in range(1, _last_position(plan) + 1) for passed in (False, True))
    return (Start(packed=False), Start(), *used)


def fault_starts(plan: Plan) -> tuple[Start, ...]:
    """Return the start states of what goes wrong besides the power: packed, on the first lap, and
    rings used up once, with and without a slot passed over."""
    used = _last_position(plan)
    return (Start(), Start(rounds=1), Start(rounds=used), Start(rounds=used, passed=True))


def _last_position(plan: Plan) -> int:
    """Commits of each group after which every ring is used up once and has been at every place."""
    return max(-(-r.slots // r.group.copies) + r.slots // math.gcd(r.slots, r.group.copies)
               for r in plan.rings)


def _fitting(plan: Plan, sweep: Sweep, budget_s: float) -> Sweep | None:
    """Return the sweep within a budget: with workloads no longer than need be, then with fewer
    start states and alphabets, evenly spread; None if that is not enough."""
    while _seconds(plan, sweep) > budget_s and sweep.operations > sweep.depth:
        sweep = replace(sweep, operations=sweep.operations - 1)
    sweep = replace(sweep, starts=_thinned(sweep.starts, budget_s / _seconds(plan, sweep)))
    sweep = replace(sweep, alphabets=_thinned(sweep.alphabets, budget_s / _seconds(plan, sweep)))
    return sweep if _seconds(plan, sweep) <= 2 * budget_s else None


def _thinned(items: tuple[_Item, ...], part: float) -> tuple[_Item, ...]:
    """Return about this part of the items, at least one, evenly spread."""
    count = min(len(items), max(1, int(len(items) * part)))
    return tuple(items[i * len(items) // count] for i in range(count))


def _seconds(plan: Plan, sweep: Sweep) -> float:
    """Return about how long a sweep takes on one processor if no states are equal."""
    boot_us = _MOUNT_US + _MOUNT_BYTE_US * sum(r.record_bytes for r in plan.rings)
    return boot_us * 1e-6 * len(sweep.starts) * sum(
        _histories(tuple(_tears(plan, op, sweep.samples) for op in alphabet), sweep.operations,
                   sweep.depth) for alphabet in sweep.alphabets)


def _histories(tears: Sequence[int], left: int, cuts: int) -> float:
    """Return how many histories there are, if each operation can be torn in so many ways."""
    if left == 0:
        return 1.0
    whole = _histories(tears, left - 1, cuts)
    cut = _histories(tears, left - 1, cuts - 1) if cuts > 0 else 0.0
    return sum(whole + (count * cut if cuts > 0 else 0.0) for count in tears)


def _tears(plan: Plan, operation: int, samples: int) -> int:
    """Return in how many ways an operation can be cut; a wipe of full rings, roughly."""
    label = [min(plan.part.page, plan.label_bytes - at)
             for at in range(0, plan.label_bytes, plan.part.page)]
    match operation:
        case Operation.BOOT:
            return 0
        case Operation.FORMAT:
            writes = 2 * label
        case Operation.WIPE:
            writes = 3 * label + [min(plan.part.page, r.record_bytes)
                                  for r in plan.rings for _ in range(r.slots)]
        case _:
            ring = plan.rings[operation - FIRST_GROUP]
            writes = [n for _, n in ring.writes()] * ring.group.copies
    return sum((3 * n + 3 + 2 * samples) * (1 if n == plan.part.page else 2) for n in writes)


def job_weight(plan: Plan, job: ExploreJob) -> float:
    """Return about how many histories a job has, and what its way to the start state costs."""
    tears = [_tears(plan, op, job.samples) for op in job.alphabet]
    first = [_tears(plan, op, job.samples) for op in job.prefix] or tears
    left, cuts = job.operations - 1, job.depth
    whole = _histories(tears, left, cuts) if job.share == 0 else 0.0
    cut = _histories(tears, left, cuts - 1) / job.shares if cuts > 0 else 0.0
    return sum(whole + count * cut for count in first) + job.start.rounds * len(plan.rings) * 5 + 1
