"""A small campaign on every engine: this computer, a microcontroller's machine code, the twin.

The same jobs run on the native harness and on the emulated one, which must count the same, boot
from the same images and serve the same (their digests say so). Single histories, one for each kind
of tear in each page write, are played on both, and byte by byte on a simulated part with the
compiled C and with its Python twin: one verdict, one image.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path

from paramstore.layout.plan import Plan, Ring
from paramstore.verify.cuts.build import build_library
from paramstore.verify.cuts.explorer import ExploreJob, Explorer
from paramstore.verify.cuts.history import history_text
from paramstore.verify.cuts.machine import build_machine
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.cuts.replay import blank_bench, play
from paramstore.verify.cuts.results import (
    FIRST_GROUP,
    Cut,
    CutHistory,
    CutStep,
    Operation,
    Start,
    Totals,
    Verdict,
)
from paramstore.verify.cuts.tears import KINDS, PageTear
from paramstore.verify.rig.native import NativeRig, NativeTarget, compile_native
from paramstore.verify.rig.toolchain import find_compiler
from paramstore.verify.rig.twin import TwinRig

__all__ = ["Agreement", "Timed", "agree", "agreement_histories", "agreement_jobs"]

STARTS = (Start(packed=False), Start(), Start(rounds=4, passed=True))
_PART_OF_JOBS = 0.8  # of the time, roughly: the rest goes to single histories


@dataclass(frozen=True, slots=True)
class Timed:
    """What an engine has counted in the jobs, and the seconds that took."""

    name: str
    totals: Totals
    seconds: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """What came of a small campaign on all engines. `different` has, as text, the histories on
    which verdicts or images differ, or a verdict is not good."""

    plan: Plan
    native: Timed
    machine: Timed
    histories: int
    different: tuple[str, ...]

    @property
    def same_jobs(self) -> bool:
        """Whether both have counted the same and met the same images, in the same order."""
        return self.native.totals == self.machine.totals

    @property
    def sound(self) -> bool:
        """Whether all engines agree and none finds anything wrong."""
        return (self.same_jobs and not self.different
                and self.native.totals.violation_count == 0)


def agreement_jobs(plan: Plan, starts: Sequence[Start] = STARTS, samples: int = 2,
                   seed: int = 1) -> list[ExploreJob]:
    """Return jobs of a minute on an emulated processor: workloads of two operations, cut once, and
    two cuts in a row of the group with the smallest commit."""
    commits = tuple(FIRST_GROUP + g for g in range(len(plan.rings)))
    small = min(commits, key=lambda c: _written(plan.rings[c - FIRST_GROUP]))
    every = (Operation.BOOT, Operation.FORMAT, Operation.WIPE, *commits)
    once = [ExploreJob(start, 2, 1, every, samples=samples, seed=seed) for start in starts]
    return once + [ExploreJob(start, 2, 2, (small,), samples=samples, seed=seed)
                   for start in starts if start.packed]


def _written(ring: Ring) -> int:
    return ring.group.copies * ring.record_bytes


def agreement_histories(plan: Plan) -> Iterator[CutHistory]:
    """Yield one history for each kind of tear of each page write of each operation."""
    for start, operation in product(STARTS, range(FIRST_GROUP + len(plan.rings))):
        if operation == Operation.BOOT or (operation >= FIRST_GROUP) != bool(start.rounds):
            continue
        ring = plan.rings[operation - FIRST_GROUP] if operation >= FIRST_GROUP else None
        writes = ring.slot_pages * ring.group.copies if ring else 2 * plan.label_pages
        for write, (i, kind) in product(range(writes), enumerate(KINDS)):
            tear = PageTear(kind, 1 + (5 * i + write) % (plan.part.page - 1), seed=31 * write + i,
                            rest=(i + write) % 4 == 3)
            yield CutHistory(start, (CutStep(operation, Cut(write, tear)), CutStep(Operation.BOOT),
                                  CutStep(operation), CutStep(Operation.BOOT)))


def agree(plan: Plan, *, jobs: Sequence[ExploreJob] | None = None,
          progress: Callable[[float], None] | None = None) -> Agreement:
    """Run a small campaign on all engines and compare.

    ToolError if there is no compiler or a package of the extra `machine` is missing.
    """
    tell = progress or (lambda part: None)
    jobs = agreement_jobs(plan) if jobs is None else jobs
    with tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        pictures = make_pictures(plan)
        machine = build_machine(plan, pictures, folder / "machine")
        native = Explorer(plan, pictures, NativeTarget(
            build_library(plan, pictures, folder / "native", memo=0)))
        code = compile_native(plan, folder / "rig", find_compiler())
        here = _run("this computer", native, jobs, lambda part: None)
        there = _run("Cortex-M0+", machine, jobs, lambda part: tell(part * _PART_OF_JOBS))
        histories = list(agreement_histories(plan))
        different = []
        for done, history in enumerate(histories, 1):
            seen = [native.replay(history), machine.replay(history)]
            for rig in (NativeRig(code, blank_bench(plan)), TwinRig(plan, blank_bench(plan))):
                played = play(rig, pictures, history)
                seen.append((Verdict.MIXED if played.wrong else Verdict.GOOD, played.image))
            if len(set(seen)) > 1 or seen[0][0] is not Verdict.GOOD:
                different.append(history_text(plan, history))
            tell(_PART_OF_JOBS + (1 - _PART_OF_JOBS) * done / len(histories))
    return Agreement(plan, here, there, len(histories), tuple(different))


def _run(name: str, explorer: Explorer, jobs: Sequence[ExploreJob],
         tell: Callable[[float], None]) -> Timed:
    start = time.perf_counter()
    totals = Totals()
    for done, job in enumerate(jobs, 1):
        totals += explorer.run(job)
        tell(done / len(jobs))
    return Timed(name, totals, time.perf_counter() - start)
