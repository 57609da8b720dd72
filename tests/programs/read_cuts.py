"""Take the power from the part alone in every byte of every read, and count the boots.

    python -m tests.programs.read_cuts
    python -m tests.programs.read_cuts --boots 10000000 --to tests/programs/figures/read_cuts.txt

Mount, format, commit, reload and wipe of the examples, from more and more commits on, until so
many boots have been judged. The rest of a read that is struck says FF; each case is one such read,
a boot before it, and at least two after it. Exit code 1: a promise was broken.
"""

from __future__ import annotations

import argparse
import math
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from paramstore.core.disk import write_text
from paramstore.report.tables import Column, table
from paramstore.verify.cuts.build import build_harness
from paramstore.verify.cuts.explorer import Explorer
from paramstore.verify.cuts.faults import (
    FaultClass,
    FaultCounts,
    FaultJob,
    fault_text,
    run_fault_job,
)
from paramstore.verify.cuts.results import Start
from tests.firmware.builds import example_plan
from tests.programs.progress import Progress

SHARES = {"tank_probe": 0.03, "minimal": 0.97}
"""Of the boots: those of the larger store take longer, and each start state has more of them."""
KINDS = (FaultClass.READ, FaultClass.READ_WIPE, FaultClass.READ_LATER)
BOOTS = 3
"""Judged in each case, at least: before, and twice after the read that is struck."""


@dataclass(frozen=True, slots=True)
class Row:
    """What came of a class on an example."""

    example: str
    kind: FaultClass
    starts: int
    counts: FaultCounts


def starts() -> Iterator[Start]:
    """Yield start states: blank, then packed and commits of each group, with and without a slot
    passed over in the last one."""
    yield Start(packed=False)
    yield Start()
    rounds = 1
    while True:
        yield Start(rounds=rounds)
        yield Start(rounds=rounds, passed=True)
        rounds += 1


def count(example: str, explorer: Explorer, boots: int, progress: Progress) -> list[Row]:
    """Do all cases of the classes, from one start state after another."""
    counts = dict.fromkeys(KINDS, FaultCounts())
    done = 0
    for number, start in enumerate(starts(), 1):
        for kind in KINDS:
            if start.packed or kind is FaultClass.READ:
                counts[kind] += run_fault_job(explorer, FaultJob(start, kind))
        done = BOOTS * sum(c.tried for c in counts.values())
        progress(min(1.0, done / boots))
        if done >= boots:
            return [Row(example, kind, number, counts[kind]) for kind in KINDS]
    raise AssertionError


def report(rows: Sequence[Row]) -> list[str]:
    """The table and its sums."""
    columns = [Column("store", right=False), Column("power lost", right=False),
               Column("start states"), Column("reads"), Column("boots"), Column("violations")]
    lines = table(columns, [(
        r.example, "in a wipe" if r.kind is FaultClass.READ_WIPE else
        "in a commit of a later release" if r.kind is FaultClass.READ_LATER else
        "in a mount, format, commit, reload", f"{r.starts:,}", f"{r.counts.tried:,}",
        f"{BOOTS * r.counts.tried:,}", f"{r.counts.violations:,}") for r in rows])
    total = sum(BOOTS * r.counts.tried for r in rows)
    lines += ["", f"{total:,} boots, {sum(r.counts.violations for r in rows):,} violations"]
    lines += [f"first of {r.example}: {fault_text(r.counts.first[0])}" for r in rows
              if r.counts.first is not None]
    return lines


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program; 1 if a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--boots", type=int, default=10_000_000, help="of all examples together")
    parser.add_argument("--to", type=Path, help="write the table to this file as well")
    options = parser.parse_args(arguments)
    rows: list[Row] = []
    for example, share in SHARES.items():
        with tempfile.TemporaryDirectory(prefix="paramstore-",
                                         ignore_cleanup_errors=True) as folder:
            explorer = build_harness(example_plan(example), Path(folder)).explorer()
            rows += count(example, explorer, math.ceil(options.boots * share), Progress())
    lines = report(rows)
    print("\n".join(lines))
    if options.to is not None:
        command = f"python -m tests.programs.read_cuts --boots {options.boots}"
        write_text(options.to, "\n".join([command, "", *lines, ""]))
    return int(any(r.counts.violations for r in rows))


if __name__ == "__main__":
    raise SystemExit(main())
