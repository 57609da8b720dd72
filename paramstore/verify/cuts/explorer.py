"""The harness as Python sees it: jobs in, totals out, single histories replayed.

Speaks to any `Target` in words of 32 bits, as laid out in `harness/explore.h`. Shares no work out
(see `campaign`).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from paramstore.core.status import Health, Status
from paramstore.layout.figures import figures
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.history import history_text
from paramstore.verify.cuts.pictures import MOST_PICTURES, Pictures
from paramstore.verify.cuts.results import (
    COLUMNS,
    FIRST_GROUP,
    MOST_CUTS,
    VERDICTS,
    Cut,
    CutHistory,
    CutStep,
    Start,
    Tally,
    Totals,
    Verdict,
    Violation,
    What,
)
from paramstore.verify.cuts.tears import KINDS, PageTear
from paramstore.verify.rig.native import HarnessTarget

__all__ = ["MOST_OPERATIONS", "MOST_SAMPLES", "CallLimits", "ExploreJob", "Explorer", "limits_of"]

MOST_OPERATIONS = 3
"""Operations of a workload, at most."""
MOST_SAMPLES = 64
_LEVELS = 8
_SAVED = 8
_NONE = 0xFFFF_FFFF


@dataclass(frozen=True, slots=True)
class ExploreJob:
    """Every workload of up to `operations` operations out of `alphabet`, beginning with those of
    `prefix`, from `start`, with up to `depth` cuts. Each page write is torn in every way there is,
    and in `samples` random mixes and as many random contents, which `seed` fixes. The work may be
    shared out: then this is `share` (from 0) of `shares`, and the parts add up to the whole."""

    start: Start
    operations: int
    depth: int
    alphabet: tuple[int, ...]
    prefix: tuple[int, ...] = ()
    samples: int = 32
    seed: int = 1
    shares: int = 1
    share: int = 0


@dataclass(frozen=True, slots=True)
class CallLimits:
    """The most that calls may take where nothing but the power fails: bus bits and page writes;
    those of commits by group in the order of the plan."""

    mount_bits: int
    format_bits: int
    commit_bits: tuple[int, ...]
    commit_writes: tuple[int, ...]


def limits_of(plan: Plan) -> CallLimits:
    """Return what the plan says that calls take."""
    numbers = figures(plan)
    return CallLimits(numbers.worst_mount_bits, numbers.worst_format_bits,
                  tuple(r.commit_bits for r in numbers.rings),
                  tuple(r.page_writes for r in numbers.rings))


class Explorer:
    """A harness of `plan` on a target, which has learnt the pictures."""

    def __init__(self, plan: Plan, pictures: Pictures, target: HarnessTarget) -> None:
        self.plan = plan
        self.pictures = pictures
        self.target = target
        groups = len(plan.rings)
        self._job = struct.Struct(f"{target.byte_order}{15 + FIRST_GROUP + groups}I")
        counts = (MOST_CUTS + 1) * len(COLUMNS) + 7
        self._violation_words = 5 + 1 + 6 * _LEVELS
        words = 3 + groups + 1 + _SAVED * self._violation_words
        self._result = struct.Struct(f"{target.byte_order}{counts}Q{words}I" + "4x" * (words % 2))
        self._limits = struct.Struct(f"{target.byte_order}{2 + 2 * groups}I")
        *sizes, self._values_bytes = struct.unpack(
            f"{target.byte_order}4I", target.read("explore_sizes", 16))
        expected = (self._job.size, self._result.size, self._limits.size)
        assert tuple(sizes) == expected, f"the harness has {sizes}, not {expected}"
        self.set_limits(limits_of(plan))
        self._present = 0
        self._start = Start()
        self.doing: Callable[[], str] = self._history_at_hand
        """Says from another thread what is being done, as a text to replay."""
        self._learn()

    def learn_older(self, image: bytes, becomes: bytes, present: Sequence[bool],
                    limited: Sequence[bool]) -> None:
        """Let start states that are `older` begin with `image`, of an earlier release.

        This firmware has to see in it, from then on as version 1, what it sees in `becomes`;
        `present` says which groups that holds, `limited` of which ones it has a value in place of
        one that is not allowed any more. From here on the explorer is for such start states
        only.
        """
        assert len(present) <= 32
        self.target.write("explore_factory", becomes)
        assert not Status(self.target.call("explore_learn", 0)).failed
        self.target.write("explore_factory", image)
        self._present = sum(there << g for g, there in enumerate(present))
        self.target.write("oracle_limited", struct.pack(
            f"{self.target.byte_order}I", sum(bit << g for g, bit in enumerate(limited))))

    def set_limits(self, limits: CallLimits) -> None:
        """Judge calls by other limits."""
        self.target.write("oracle_limits", self._limits.pack(
            limits.mount_bits, limits.format_bits, *limits.commit_bits, *limits.commit_writes))

    def _learn(self) -> None:
        """Show the harness every picture; the part of the start states holds the first ones."""
        statuses = []
        for index in reversed(range(MOST_PICTURES + 1)):
            if index < MOST_PICTURES:
                self.target.write("explore_factory", self.pictures.images[index])
            statuses.append(Status(self.target.call("explore_learn", index)))
        self.pictures_mounted = statuses[1:] == [Status.OK] * MOST_PICTURES

    def see(self, image: bytes) -> tuple[bytes, tuple[Health, ...]]:
        """Mount an image; return all values as they lie in RAM, and the flags of each group."""
        kept = self.target.read("explore_factory", len(image))
        self.target.write("explore_factory", image)
        self.target.call("explore_see")
        self.target.write("explore_factory", kept)
        values = self.target.read("explore_seen", self._values_bytes)
        health = self.target.read("explore_seen", len(self.plan.rings), self._values_bytes)
        return values, tuple(Health(flags) for flags in health)

    def run(self, job: ExploreJob) -> Totals:
        """Do a job."""
        self._write_job(job)
        self.target.call("explore_run")
        return self._totals(job.start)

    def begin(self, start: Start) -> bool:
        """Bring the part into a start state; return whether nothing went wrong on the way."""
        self._write_job(ExploreJob(start, 1, 0, (0,)))
        return self.target.call("explore_start") == 0

    def replay(self, history: CutHistory) -> tuple[Verdict, bytes]:
        """Run one history with real cuts inside the calls; return what the oracle says of its last
        step, or of the first that is wrong, and the image that is left."""
        violation, image = self.judge(history)
        return (Verdict.GOOD if violation is None else violation.verdict), image

    def judge(self, history: CutHistory) -> tuple[Violation | None, bytes]:
        """Do the same; return what is wrong first, with the steps up to there."""
        if not self.begin(history.start):
            violation = self._totals(history.start).violations[0]
            return replace(violation, history=CutHistory(history.start, ())), self.image()
        words = [word for step in history.steps for word in _step_words(step)]
        self.target.write("explore_path", self._pack(words))
        self.target.call("explore_replay", len(history.steps))
        violations = self._totals(history.start).violations
        return (violations[0] if violations else None), self.image()

    def image(self) -> bytes:
        """Return what the part holds."""
        return self.target.read("part_image", self.plan.part.capacity)

    def _pack(self, words: Sequence[int]) -> bytes:
        return struct.pack(f"{self.target.byte_order}{len(words)}I", *words)

    def _history_at_hand(self) -> str:
        (steps,) = struct.unpack(f"{self.target.byte_order}I", self.target.read("explore_steps", 4))
        words = struct.unpack(f"{self.target.byte_order}{6 * steps}I",
                              self.target.read("explore_path", 24 * steps))
        return history_text(self.plan, CutHistory(self._start, tuple(
            _step(words[at:at + 6]) for at in range(0, len(words), 6))))

    def _write_job(self, job: ExploreJob) -> None:
        self._start = job.start
        assert job.operations <= MOST_OPERATIONS and job.depth <= MOST_CUTS
        prefix = (*job.prefix, *(0,) * (MOST_OPERATIONS - len(job.prefix)))
        room = FIRST_GROUP + len(self.plan.rings) - len(job.alphabet)
        self.target.write("explore_job", self._job.pack(
            job.seed, 2 if job.start.older else job.start.packed, self._present, job.start.rounds,
            job.start.passed, job.operations, job.depth, min(job.samples, MOST_SAMPLES),
            len(job.prefix), *prefix, job.shares, job.share, len(job.alphabet), *job.alphabet,
            *(0,) * room))

    def _totals(self, start: Start) -> Totals:
        values = self._result.unpack(self.target.read("explore_result", self._result.size))
        columns, groups = len(COLUMNS), len(self.plan.rings)
        cells = (MOST_CUTS + 1) * columns
        rows = tuple(values[at:at + columns] for at in range(0, cells, columns))
        boots, torn, random, late, calls, count, digest = values[cells:cells + 7]
        mount, format_, wipe, *rest = values[cells + 7:]
        saved = rest[groups]
        words = rest[groups + 1:]
        size = self._violation_words
        return Totals(
            Tally(rows), boots, torn, random, late, calls, count, mount, format_, wipe,
            tuple(rest[:groups]),
            tuple(self._violation(start, words[i * size:(i + 1) * size]) for i in range(saved)),
            digest)

    def _violation(self, start: Start, words: Sequence[int]) -> Violation:
        steps, *path = words[5:]
        return self.finding(words[:5], CutHistory(start, tuple(
            _step(path[i * 6:(i + 1) * 6]) for i in range(steps))))

    def finding(self, words: Sequence[int], history: CutHistory) -> Violation:
        """Return what the five words of a finding say of a history."""
        verdict, group, what, expected, found = words
        return Violation(
            VERDICTS[verdict], group if group < len(self.plan.rings) else None, expected,
            None if found == _NONE else found, history, tuple(What)[what])


def _step(words: Sequence[int]) -> CutStep:
    operation, write, kind, rest, at, seed = words
    if write == _NONE:
        return CutStep(operation)
    return CutStep(operation, Cut(write, PageTear(KINDS[kind], at, seed, bool(rest))))


def _step_words(step: CutStep) -> tuple[int, ...]:
    if step.cut is None:
        return (step.operation, _NONE, 0, 0, 0, 0)
    tear = step.cut.tear
    return (step.operation, step.cut.write, KINDS.index(tear.kind), tear.rest, tear.at, tear.seed)
