"""What goes wrong besides the power, class by class: how it is tried, and what a store then serves.

The harness does the cases (`harness/faults.h`); here are the classes, the jobs, the bounds and the
results. Knows no wording of reports.
"""

from __future__ import annotations

import re
import struct
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path

from paramstore.core.errors import ToolError
from paramstore.core.format import SKIP_LIMIT
from paramstore.layout.figures import READ_BACK_BYTES, figures
from paramstore.layout.physics import read_bits, write_bits
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.build import build_harness
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.history import parse_history, start_text
from paramstore.verify.cuts.impossible import CASES, bodies_of, judge_body, judge_ungiven
from paramstore.verify.cuts.results import CutHistory, Start, Violation
from paramstore.verify.cuts.workers import Workers
from paramstore.verify.rig.toolchain import Compiler

__all__ = ["ALL_CASES", "FaultClass", "FaultCounts", "FaultJob", "FaultResult", "Guarantee",
           "fault_limits", "fault_text", "parse_fault", "replay_fault", "run_fault_class",
           "run_fault_job", "run_faults"]

ALL_CASES = 0xFFFF_FFFF
_POLLS = 42  # transfers until a call gives up on a part that does not answer
_NONE = 0xFFFF_FFFF


class Guarantee(Enum):
    """What is promised of a class."""

    FULL = "full"  # as for power cuts: what was acknowledged is served
    FLAGGED = "flagged"  # never a value that was not committed; what is older is flagged
    SILENT = "silent"  # the same, but the older may look as if nothing newer had been committed
    REFUSED = "refused"  # the same, and the part may not be taken for ours
    KEPT = "kept"  # refused, and nothing is written
    SAME = "same"  # what the host says of the same part


class FaultClass(Enum):
    """The classes, in the order of the C enumeration: a name, what strikes, what is promised."""

    NACK = ("one byte is not acknowledged", Guarantee.FULL)
    SILENT = ("from one byte on none is acknowledged", Guarantee.FULL)
    HELD_ONCE = ("the bus fails in one byte", Guarantee.FULL)
    HELD = ("the bus fails from one byte on (SDA stuck)", Guarantee.FULL)
    RESET = ("the controller alone restarts in one byte", Guarantee.FULL)
    BROWNOUT = ("the part alone loses its power in a page write", Guarantee.FULL)
    SLOW = ("a page write takes long, or longer than is waited", Guarantee.FULL)
    LOST = ("a page write is acknowledged and lost", Guarantee.FULL)
    PROTECTED = ("from one page write on all are lost (write-protected)", Guarantee.FULL)
    WORN = ("a page of a ring takes nothing any more", Guarantee.FULL)
    STUCK = ("a bit of a ring does not change any more", Guarantee.FULL)
    STRAY = ("a page write lands on another page", Guarantee.SILENT)
    BROWNOUTS = ("100 commits in a row are cut", Guarantee.FULL)
    BIT = ("one bit at rest is wrong", Guarantee.FLAGGED)
    BITS = ("two bits of a record are wrong", Guarantee.SILENT)
    BURST = ("a burst of up to 32 bits is wrong", Guarantee.SILENT)
    PAGE = ("a page is erased, zero or noise", Guarantee.SILENT)
    STALE = ("a page has gone back to what it held before", Guarantee.SILENT)
    SWAPPED = ("a page holds the content of another one", Guarantee.SILENT)
    ALIAS = ("an address bit has no effect", Guarantee.REFUSED)
    SHIFTED = ("the content begins at another address", Guarantee.REFUSED)
    TRUNCATED = ("the content ends early", Guarantee.REFUSED)
    FOREIGN = ("the part holds something else", Guarantee.REFUSED)
    READ = ("the part alone loses its power in a read", Guarantee.FULL)
    READ_WIPE = ("the same in a wipe", Guarantee.FULL)
    READ_LATER = ("the same in a commit, with values of a later release", Guarantee.FULL)
    UNREAD = ("a whole mount, and more, reads FF; then a format", Guarantee.FULL)
    WIPED = ("a wipe is cut; after it a commit is", Guarantee.FULL)
    COPY = ("copies are cut short or damaged, then refreshed", Guarantee.FULL)
    LOOKALIKE = ("values look like a label", Guarantee.FULL)
    BLOCK = ("a ring without a label holds foreign bytes; a format", Guarantee.KEPT)
    VALUES = ("records hold values that cannot be", Guarantee.SAME)

    @property
    def strikes(self) -> str:
        """What goes wrong."""
        return self.value[0]

    @property
    def blank_too(self) -> bool:
        """Whether it is tried on a blank part too."""
        return self in _BLANK_TOO

    @property
    def guarantee(self) -> Guarantee:
        """What is promised."""
        return self.value[1]


_BLANK_TOO = {FaultClass.READ, FaultClass.COPY, FaultClass.BLOCK}


@dataclass(frozen=True, slots=True)
class FaultJob:
    """The cases of a class from a start state: every `stride`-th, or `only` one."""

    start: Start
    kind: FaultClass
    stride: int = 1
    only: int = ALL_CASES
    seed: int = 1


@dataclass(frozen=True, slots=True)
class FaultCounts:
    """What came of a job, or of several. Of the first boot after each case: `newest`, `older`,
    `defaults` and `silent` say what the group served that fared worst, `refused` that the part was
    not taken for ours. `failed` counts calls that said so. `first` is the first case that broke a
    promise, as its job and number, and what it broke."""

    cases: int = 0
    tried: int = 0
    newest: int = 0
    older: int = 0
    defaults: int = 0
    silent: int = 0
    wrong: int = 0
    refused: int = 0
    failed: int = 0
    violations: int = 0
    mount_bits: int = 0
    commit_bits: int = 0
    first: tuple[FaultJob, Violation] | None = None

    @property
    def enumerated(self) -> bool:
        """Whether every case was tried."""
        return self.tried == self.cases

    def __add__(self, other: FaultCounts) -> FaultCounts:
        added = {n: getattr(self, n) + getattr(other, n) for n in _ADDED}
        return FaultCounts(**added, mount_bits=max(self.mount_bits, other.mount_bits),
                           commit_bits=max(self.commit_bits, other.commit_bits),
                           first=self.first or other.first)


_ADDED = ("cases", "tried", "newest", "older", "defaults", "silent", "wrong", "refused", "failed",
          "violations")


@dataclass(frozen=True, slots=True)
class FaultResult:
    """What came of a class, from all start states together."""

    kind: FaultClass
    counts: FaultCounts


def fault_limits(plan: Plan) -> tuple[int, int]:
    """Return the most bus bits that a mount and that a commit may take whatever goes wrong: a read
    that is not acknowledged is repeated, and the call ends if that does not help."""
    width, page = plan.part.address_bytes, plan.part.page
    worst = figures(plan).worst_mount_bits
    one_more = _POLLS * read_bits(width, 0)
    pieces = -(-page // READ_BACK_BYTES)
    write = (write_bits(width, page) + pieces * read_bits(width, READ_BACK_BYTES) + one_more)
    commits = [(1 + SKIP_LIMIT) * r.group.copies * r.slot_pages * 2 * write for r in plan.rings]
    return 2 * worst + one_more, max(commits) + one_more


def run_fault_job(explorer: Explorer, job: FaultJob) -> FaultCounts:
    """Do the cases of a job."""
    if job.kind is FaultClass.VALUES:
        return _run_impossible(explorer, job)
    target = explorer.target
    order = target.byte_order
    sizes = struct.unpack(f"{order}2I", target.read("faults_sizes", 8))
    assert sizes == (16, 72), f"the harness has {sizes}"
    explorer.begin(job.start)
    target.write("faults_limits", struct.pack(f"{order}2I", *fault_limits(explorer.plan)))
    kind = list(FaultClass).index(job.kind)
    target.write("faults_job", struct.pack(f"{order}4I", job.seed, kind, job.stride, job.only))
    history, explorer.doing = explorer.doing, lambda: fault_text(replace(job, only=max(
        1, *struct.unpack(f"{order}I", target.read("faults_result", 4))) - 1))
    target.call("faults_run")
    explorer.doing = history
    (cases, tried, newest, older, defaults, silent, wrong, refused, failed, violations, first,
     *finding, mount, commit) = struct.unpack(f"{order}18I", target.read("faults_result", 72))
    shown = None if first == _NONE else (
        FaultJob(job.start, job.kind, 1, first, job.seed),
        explorer.finding(finding, CutHistory(job.start, ())))
    return FaultCounts(cases, tried, newest, older, defaults, silent, wrong, refused, failed,
                       violations, mount, commit, shown)


def _run_impossible(explorer: Explorer, job: FaultJob) -> FaultCounts:
    """Do the cases of the class that the host judges. Case 0: a part without values."""
    cases = 1 + CASES * len(explorer.plan.rings)
    tried = range(0, cases, job.stride) if job.only == ALL_CASES else range(
        job.only, min(job.only + 1, cases))
    violations, first = 0, None
    for number in tried:
        found = (judge_body(explorer, job.start, bodies_of(
            explorer.plan, job.start, number, job.seed)) if number
            else judge_ungiven(explorer, job.start))
        violations += found is not None
        if found is not None and first is None:
            first = (replace(job, stride=1, only=number), found)
    return FaultCounts(cases, len(tried), newest=len(tried), violations=violations, first=first)


def run_faults(explorer: Explorer, starts: Sequence[Start], most: int,
               seed: int = 1) -> tuple[FaultResult, ...]:
    """Try every class from every start state, about `most` cases of each evenly spread."""
    return tuple(run_fault_class(starts, most, seed, explorer, kind) for kind in FaultClass)


def run_fault_class(starts: Sequence[Start], most: int, seed: int, explorer: Explorer,
                    kind: FaultClass) -> FaultResult:
    """Try one class from every start state."""
    counts = FaultCounts()
    for start in (*starts, *([Start(packed=False)] if kind.blank_too else [])):
        job = FaultJob(start, kind, stride=ALL_CASES, seed=seed)  # to count the cases
        cases = run_fault_job(explorer, job).cases
        counts += run_fault_job(explorer, replace(job, stride=max(1, cases // most)))
    return FaultResult(kind, counts)


def replay_fault(plan: Plan, job: FaultJob, compiler: Compiler | None = None) -> FaultCounts:
    """Build the harness of a plan and do one case; ToolError if there is no such case, or no
    compiler."""
    with (tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder,
          Workers(build_harness(plan, Path(folder), compiler)) as worker):
        counts = worker.do(run_fault_job, job)
    if not counts.tried:
        raise ToolError(f"there is no case {job.only}: the class has {counts.cases:,} from there")
    return counts


def fault_text(job: FaultJob) -> str:
    """Return a single case as one word, such as `FACTORY+4,BIT=642.x1`."""
    return f"{start_text(job.start)},{job.kind.name}={job.only}.x{job.seed:x}"


def parse_fault(plan: Plan, text: str) -> FaultJob | None:
    """Return the case that a text describes, None if it describes none; ToolError if its start
    state is none."""
    start, _, case = text.strip().partition(",")
    found = re.fullmatch(r"([A-Z_]+)=(\d{1,9})\.x([0-9a-f]{1,8})", case)
    if found is None or found[1] not in FaultClass.__members__:
        return None
    return FaultJob(parse_history(plan, start).start, FaultClass[found[1]], 1, int(found[2]),
                    int(found[3], 16))
