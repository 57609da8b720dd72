"""A campaign: its sweeps done on several processes, and what came of them.

Deterministic: the same plan, level and seed give the same totals, whatever the number of workers.
Prints nothing; progress goes to a callback.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

from paramstore.layout.plan import Plan
from paramstore.verify.cuts.announced import Announced, judge_units
from paramstore.verify.cuts.build import build_harness
from paramstore.verify.cuts.explorer import ExploreJob, Explorer
from paramstore.verify.cuts.faults import FaultClass, FaultCounts, FaultResult, run_fault_class
from paramstore.verify.cuts.history import history_text, shrink
from paramstore.verify.cuts.migrations import MigrationCuts, run_migrations
from paramstore.verify.cuts.results import CutHistory, Totals, Verdict, Violation
from paramstore.verify.cuts.sweeps import Level, Sweep, fault_starts, job_weight, sweeps
from paramstore.verify.cuts.wear import RingWear, wear_rings
from paramstore.verify.cuts.workers import Workers
from paramstore.verify.rig.toolchain import Compiler

__all__ = ["Campaign", "Progress", "Shown", "SweepResult", "run_campaign", "run_jobs"]

_FAULT_CASES = {Level.QUICK: 200, Level.DEFAULT: 2000, Level.THOROUGH: 50_000,
                Level.LONG: 1_000_000}
"""Of a class from a start state, at most about twice as many."""
_MIGRATIONS = {Level.QUICK: (1, 1), Level.DEFAULT: (4, 1), Level.THOROUGH: (2, 2),
               Level.LONG: (4, 3)}
"""Samples of mixes and noise, and cuts, of parts of earlier releases."""
_UNITS = {Level.QUICK: 25, Level.DEFAULT: 50, Level.THOROUGH: 500, Level.LONG: 20_000}
"""Of each earlier release, with values on edges."""
_UNITS_AT_ONCE = 25
_RECORDS = {Level.QUICK: 10_000, Level.DEFAULT: 1_000_000, Level.THOROUGH: 6_000_000,
            Level.LONG: 90_000_000}
"""Of a ring until it is worn out, at most."""
_SWEEPS_PART, _FAULTS_PART, _UNITS_PART, _MIGRATIONS_PART = 0.76, 0.84, 0.88, 0.9
"""Which part of the work is done, roughly, after the sweeps, other faults, units of earlier
releases, and migrations."""
R = TypeVar("R")
T = TypeVar("T")
Progress = Callable[[float], None]
"""Told now and then which part of the work is done, from 0 to 1."""


@dataclass(frozen=True, slots=True)
class SweepResult:
    """What came of a sweep; `seconds` of all workers together."""

    sweep: Sweep
    totals: Totals
    seconds: float


@dataclass(frozen=True, slots=True)
class Shown:
    """A violation to show, with as little in its history as possible; `replay` is that as text."""

    violation: Violation
    replay: str


@dataclass(frozen=True, slots=True)
class Campaign:
    """What came of all sweeps; `seconds` on the clock with `workers` processes."""

    plan: Plan
    level: Level
    seed: int
    compiler: str
    workers: int
    seconds: float
    results: tuple[SweepResult, ...]
    violations: tuple[Shown, ...]
    faults: tuple[FaultResult, ...] = ()
    migrations: tuple[MigrationCuts, ...] = ()
    wear: tuple[RingWear, ...] = ()
    announced: tuple[Announced, ...] = ()

    @property
    def fault_counts(self) -> FaultCounts:
        """All classes of faults together."""
        return sum((result.counts for result in self.faults), FaultCounts())

    @property
    def violation_count(self) -> int:
        """How often a promise was broken, by power cuts, by other faults, by later releases or by
        worn pages."""
        return (self.totals.violation_count + self.fault_counts.violations
                + sum(a.violations for a in self.announced)
                + sum(t.totals.violation_count for t in self.migrations)
                + sum(not ring.sound for ring in self.wear))

    @property
    def sound(self) -> bool:
        """Whether no promise was broken."""
        return self.violation_count == 0

    @property
    def totals(self) -> Totals:
        """Everything together."""
        return Totals.sum(result.totals for result in self.results)


def _timed(explorer: Explorer, job: ExploreJob) -> tuple[Totals, float]:
    start = time.perf_counter()
    totals = explorer.run(job)
    return totals, time.perf_counter() - start


def run_jobs(workers: Workers, plan: Plan, jobs: Iterable[ExploreJob],
             progress: Progress | None = None) -> list[tuple[Totals, float]]:
    """Do jobs; return totals and seconds in their order.

    ToolError if the firmware crashes, or a call of it does not come back.
    """
    todo = list(jobs)
    weights = [job_weight(plan, job) for job in todo]
    tell = _Teller(sum(weights), progress)
    heaviest_first = sorted(range(len(todo)), key=lambda i: -weights[i])
    done = {}
    for number, result in workers.each(_timed, [todo[i] for i in heaviest_first]):
        i = heaviest_first[number]
        done[i] = tell.passed(result, weights[i])
    return [done[i] for i in range(len(todo))]


class _Teller:
    """Turns weights of jobs done into progress."""

    def __init__(self, total: float, progress: Progress | None) -> None:
        self._total = total
        self._progress = progress
        self._done = 0.0

    def passed(self, result: tuple[Totals, float], weight: float) -> tuple[Totals, float]:
        self._done += weight
        if self._progress is not None:
            self._progress(min(1.0, self._done / self._total))
        return result


def run_campaign(plan: Plan, level: Level = Level.DEFAULT, *, earlier: Sequence[Plan] = (),
                 seed: int = 1, workers: int = 1, progress: Progress | None = None,
                 compiler: Compiler | None = None) -> Campaign:
    """Build the harness of a plan and do the sweeps of a level; then other faults, units and
    migrations of the `earlier` releases of its series, in their order; and wear its rings out.

    ToolError if there is no compiler or it fails, if the firmware crashes or a call of it does not
    come back; FindingsError if the plan cannot become C.
    """
    start = time.perf_counter()
    tell = progress or (lambda part: None)
    todo = sweeps(plan, level, seed)
    with tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder:
        harness = build_harness(plan, Path(folder), compiler)
        jobs = [list(sweep.jobs()) for sweep in todo]
        with Workers(harness, workers) as pool:
            done = iter(run_jobs(pool, plan, [job for part in jobs for job in part],
                                 lambda part: tell(_SWEEPS_PART * part)))
            results = []
            for sweep, part in zip(todo, jobs, strict=True):
                mine = [next(done) for _ in part]
                results.append(SweepResult(sweep, Totals.sum(t for t, _ in mine),
                                           sum(seconds for _, seconds in mine)))
            shown = pool.do(_shown, Totals.sum(r.totals for r in results).violations)
            faults = _all_of(pool, partial(run_fault_class, fault_starts(plan),
                                           _FAULT_CASES[level], seed), list(FaultClass),
                             _between(tell, _SWEEPS_PART, _FAULTS_PART))
            announced = _announced(pool, earlier, level, seed,
                                   _between(tell, _FAULTS_PART, _UNITS_PART))
            migrations, more = pool.do(_migrations, earlier, level, seed)
    tell(_MIGRATIONS_PART)
    worn = wear_rings(plan, _RECORDS[level], seed=seed, compiler=compiler)
    tell(1.0)
    return Campaign(plan, level, seed, harness.compiler, workers, time.perf_counter() - start,
                    tuple(results), (*shown, *more),
                    faults, migrations, worn, announced)


def _between(tell: Progress, begin: float, end: float) -> Progress:
    """Return what tells the progress of a piece of the work that is done from `begin` to `end`."""
    return lambda part: tell(begin + (end - begin) * part)


def _all_of(pool: Workers, function: Callable[[Explorer, T], R], items: Sequence[T],
            tell: Progress) -> tuple[R, ...]:
    """Let the workers do all items; return what came of them, in their order."""
    done: dict[int, R] = {}
    for number, result in pool.each(function, items):
        done[number] = result
        tell(len(done) / len(items))
    return tuple(done[number] for number in range(len(items)))


def _announced(pool: Workers, earlier: Sequence[Plan], level: Level, seed: int,
               tell: Progress) -> tuple[Announced, ...]:
    """Judge units of each earlier release, shared out among the workers."""
    shares = [(at, range(first, min(first + _UNITS_AT_ONCE, _UNITS[level])))
              for at in range(len(earlier)) for first in range(0, _UNITS[level], _UNITS_AT_ONCE)]
    done = _all_of(pool, partial(_judged, earlier, seed), shares, tell)
    made: list[Announced] = []
    for number, (at, _) in enumerate(shares):
        if at < len(made):
            made[at] += done[number]
        else:
            made.append(done[number])
    return tuple(made)


def _judged(earlier: Sequence[Plan], seed: int, explorer: Explorer,
            share: tuple[int, Sequence[int]]) -> Announced:
    return judge_units(explorer, earlier, *share, seed)


def _migrations(explorer: Explorer, earlier: Sequence[Plan], level: Level,
                seed: int) -> tuple[tuple[MigrationCuts, ...], tuple[Shown, ...]]:
    """Do the migrations; from then on the explorer is for such start states only."""
    samples, depth = _MIGRATIONS[level]
    done: list[MigrationCuts] = []
    shown: list[Shown] = []
    for taken in run_migrations(explorer, earlier, samples=samples, depth=depth, seed=seed):
        done.append(taken)
        shown += _shown(explorer, taken.totals.violations)
    return tuple(done), tuple(shown)


def _shown(explorer: Explorer, violations: Sequence[Violation]) -> list[Shown]:
    """Shrink the first violation of each kind in each group."""
    shown = []
    first: dict[tuple[Verdict, int | None], Violation] = {}
    for violation in violations:
        first.setdefault((violation.verdict, violation.group), violation)
    for violation in first.values():
        same = partial(_same_verdict, explorer, violation.verdict)
        history = violation.history
        if same(history):
            history = shrink(history, same)
            violation = explorer.judge(history)[0] or violation
        shown.append(Shown(violation, history_text(explorer.plan, history)))
    return shown


def _same_verdict(explorer: Explorer, verdict: Verdict, history: CutHistory) -> bool:
    return explorer.replay(history)[0] is verdict
