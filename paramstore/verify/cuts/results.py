"""What a campaign has tried and found, as frozen data.

Knows no harness (see `explorer`) and no wording of reports (see `report.cuts`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum, IntEnum

from paramstore.verify.cuts.tears import KINDS, PageTear

__all__ = [
    "COLUMNS",
    "FIRST_GROUP",
    "MOST_CUTS",
    "Cut",
    "CutHistory",
    "CutStep",
    "Operation",
    "Start",
    "Tally",
    "Totals",
    "Verdict",
    "Violation",
    "What",
    "operation_group",
]

MOST_CUTS = 3
"""Cuts in one history, at most."""
COLUMNS = (*(kind.value for kind in KINDS), "rest of page", "later")
"""What the last cut of a history left: a tear; any tear, with the bytes of the page that were not
written hit too; `later`: there was no cut, or operations were completed after the last one."""


class Verdict(Enum):
    """What an oracle says of a history: the invariant that is broken, and how."""

    GOOD = ("", "nothing is wrong")
    MIXED = ("I1", "served values that were never committed")
    LOST = ("I2", "an acknowledged commit is gone")
    BACK = ("I3", "served something older than an earlier boot did")
    RETURNED = ("I4", "an interrupted commit has come back after a later acknowledged one")
    EMPTY = ("I5", "served defaults though the group had been committed")
    UNSTABLE = ("I6", "a boot served what the one before did not, or a call failed after a cut")
    OUTSIDE = ("I7", "a page outside the group's ring was written")
    UNFLAGGED = ("I8", "flags and status do not say what is served")
    LONG = ("I9", "a call took more bus bits than it may")
    WEAR = ("I10", "a call wrote more pages than planned")
    REFUSED = ("I13", "the part is not recognised as ours")
    CHANGED = ("I14", "values in RAM changed without reason")
    REMAINS = ("I15", "bytes are left on the part after a wipe")
    SPOILT = ("I16", "bytes of somebody else, or of a later release, were written over")
    DIFFERENT = ("I17", "firmware serves something else than the host says")
    UNTOLD = ("I18", "a stored value is gone in a later release, and nothing announced it")

    @property
    def invariant(self) -> str:
        """The invariant broken, `I1` to `I18`; "" for none."""
        return str(self.value[0])

    @property
    def meaning(self) -> str:
        """What that means."""
        return str(self.value[1])


VERDICTS = tuple(Verdict)
"""In the order of the C enumeration."""


class What(Enum):
    """What the two numbers of a violation are, in the order of the C enumeration."""

    VERSION = "version"  # of the values of a group (0: defaults; None: none that is known)
    NUMBER = "sequence number"  # of a record; it may not be less
    STATUS = "status"  # what a call returned
    FLAGS = "flags"  # a version, and the flags found beside it
    BITS = "bits"  # of one call on the bus; they may not be more
    WRITES = "page writes"  # of one call; they may not be more
    PAGE = "page"  # the first page of a ring, and a page that was written
    BYTE = "byte"  # an address on the part, and the byte there, which must not be


class Operation(IntEnum):
    """Operations of a workload that concern no group; see `FIRST_GROUP` for commits."""

    BOOT = 0
    FORMAT = 1
    WIPE = 2


FIRST_GROUP = 3
"""The commit of group g of the plan (from 0) is operation FIRST_GROUP + g."""


def operation_group(operation: int) -> int | None:
    """Return the group (from 0) that an operation commits; None for another one."""
    return operation - FIRST_GROUP if operation >= FIRST_GROUP else None


@dataclass(frozen=True, slots=True)
class Start:
    """The state a workload begins in: a blank part, or a packed one; then `rounds` commits of
    every group in turn (after a format of the blank one). With `passed`, in the last round every
    group passes over one slot if its ring has more than two. With `older`, the packed part is of
    the earlier release of that number (see `migration`), and there are no rounds."""

    packed: bool = True
    rounds: int = 0
    passed: bool = False
    older: int = 0


@dataclass(frozen=True, slots=True)
class Cut:
    """The power goes in page write `write` (from 0) of an operation and leaves the page torn."""

    write: int
    tear: PageTear


@dataclass(frozen=True, slots=True)
class CutStep:
    """One operation of a history, and the cut in it if there is one."""

    operation: int
    cut: Cut | None = None


@dataclass(frozen=True, slots=True)
class CutHistory:
    """A workload with its cuts. After a cut comes a boot, as a step of its own."""

    start: Start
    steps: tuple[CutStep, ...]

    @property
    def cuts(self) -> int:
        """How often the power goes inside a call."""
        return sum(step.cut is not None for step in self.steps)


@dataclass(frozen=True, slots=True)
class Violation:
    """A history that breaks an invariant in its last step, without a step on the way to its start
    state. `group` is None where no single group is concerned. `what` says what `expected` and
    `found` are."""

    verdict: Verdict
    group: int | None
    expected: int
    found: int | None
    history: CutHistory
    what: What = What.VERSION


@dataclass(frozen=True, slots=True)
class Tally:
    """Histories by number of cuts (0 to MOST_CUTS) and column (see `COLUMNS`)."""

    rows: tuple[tuple[int, ...], ...] = tuple((0,) * len(COLUMNS) for _ in range(MOST_CUTS + 1))

    def __add__(self, other: Tally) -> Tally:
        return Tally(tuple(tuple(a + b for a, b in zip(x, y, strict=True))
                           for x, y in zip(self.rows, other.rows, strict=True)))

    @property
    def total(self) -> int:
        """All histories."""
        return sum(map(sum, self.rows))


@dataclass(frozen=True, slots=True)
class Totals:
    """Everything a run, or several runs together, have counted.

    A history is a workload with its cuts, ended by a boot that the oracle judges. Histories that
    lead to equal states are run once (`boots`, of them `torn` from a torn page, of these `random`
    where chance decided what was left), and counted each (`histories`). `late` are boots that
    served an interrupted commit which an earlier boot had missed: two tears in a row can make it
    whole.
    `digest` tells apart runs that booted from other images or served something else.
    The others are the longest calls in bus bits; `commit_bits` by group in the order of the plan.
    """

    histories: Tally = Tally()
    boots: int = 0
    torn: int = 0
    random: int = 0
    late: int = 0
    calls: int = 0
    violation_count: int = 0
    mount_bits: int = 0
    format_bits: int = 0
    wipe_bits: int = 0
    commit_bits: tuple[int, ...] = ()
    violations: tuple[Violation, ...] = field(default=())
    digest: int = 0

    def __add__(self, other: Totals) -> Totals:
        bits = (self.commit_bits, other.commit_bits)
        return Totals(
            self.histories + other.histories, self.boots + other.boots, self.torn + other.torn,
            self.random + other.random, self.late + other.late, self.calls + other.calls,
            self.violation_count + other.violation_count, max(self.mount_bits, other.mount_bits),
            max(self.format_bits, other.format_bits), max(self.wipe_bits, other.wipe_bits),
            tuple(map(max, *bits)) if all(bits) else bits[0] or bits[1],
            self.violations + other.violations,
            self.digest + other.digest & 0xFFFF_FFFF_FFFF_FFFF,
        )

    @property
    def expected_coincidences(self) -> float:
        """How many random contents are likely to pass for a record: one of 2^32 does."""
        return self.random / 2**32

    @staticmethod
    def sum(parts: Iterable[Totals]) -> Totals:
        """Return the totals of several runs."""
        total = Totals()
        for part in parts:
            total += part
        return total
