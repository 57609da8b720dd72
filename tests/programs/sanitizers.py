"""Run the runtime under the compiler's sanitizers: power cuts, arbitrary images, hostile buses.

    python -m tests.programs.sanitizers
    python -m tests.programs.sanitizers --to tests/programs/figures/sanitizers.txt
    python -m tests.programs.sanitizers --divide 100       one hundredth of it

Campaigns are those of `paramstore prove --quick`, images go to mount (tests/firmware/images.c), and
random calls go over a failing bus (tests/firmware/fuzz.c). Whatever is undefined ends the program
with the sanitizer's words and exit code 1. The same seeds give the same counts.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from paramstore.core.disk import write_text
from paramstore.core.errors import ToolError
from paramstore.layout.plan import Plan
from paramstore.report.tables import Column, table
from paramstore.verify.cuts.explorer import ExploreJob, Explorer
from paramstore.verify.cuts.pictures import Pictures, make_pictures
from paramstore.verify.cuts.results import Totals
from paramstore.verify.cuts.sweeps import Level, sweeps
from paramstore.verify.rig.toolchain import Compiler, find_compiler
from tests.firmware.builds import example_plan
from tests.firmware.sanitizers import build, run, watched
from tests.verify.cuts.piped import PipedTarget, build_program

C = Path(__file__).parents[1] / "firmware"
CAMPAIGNS = ("minimal", "tank_probe")
IMAGES = {"minimal": 6_000_000, "tank_probe": 6_000_000, "large": 100_000}
ROUNDS = {"minimal": 300_000, "tank_probe": 300_000, "large": 30_000}  # of random calls
_PIECE = {"images": 250_000, "fuzz": 10_000}
KINDS = ("noise", "flips", "burst", "pages", "shift", "rings", "labels")


@dataclass(frozen=True, slots=True)
class Figures:
    """What was run, by example."""

    compiler: str
    flags: str
    campaigns: dict[str, Totals]
    images: dict[str, Counter[str]]
    calls: dict[str, Counter[str]]


def measure(compiler: Compiler, divide: int, workers: int) -> Figures:
    """Build and run everything. AssertionError with the sanitizer's words if it finds anything."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        campaigns = {example: campaign(folder / f"cuts_{example}", example_plan(example), compiler,
                                       divide, workers) for example in CAMPAIGNS}
        images, calls = (
            {example: repeat(build(folder / f"{kind}_{example}", example_plan(example),
                                   C / f"{kind}.c", compiler), total // divide, _PIECE[kind],
                             workers)
             for example, total in totals.items()}
            for kind, totals in (("images", IMAGES), ("fuzz", ROUNDS)))
    return Figures(compiler.name, " ".join(watched(compiler)), campaigns, images, calls)


def campaign(folder: Path, plan: Plan, compiler: Compiler, divide: int, workers: int) -> Totals:
    """Do the quick campaign of a plan, or every `divide`th job of it."""
    pictures = make_pictures(plan)
    program = build_program(plan, pictures, folder, compiler, watched(compiler))
    jobs = [job for sweep in sweeps(plan, Level.QUICK) for job in sweep.jobs()][::divide]
    with ThreadPoolExecutor(workers) as pool:
        work = partial(run_jobs, program, plan, pictures)
        totals = Totals.sum(pool.map(work, (jobs[i::workers] for i in range(workers))))
    assert 0 == totals.violation_count, totals.violations[0]
    return totals


def run_jobs(program: Path, plan: Plan, pictures: Pictures, jobs: Iterable[ExploreJob]) -> Totals:
    """Do jobs in a program of their own."""
    with PipedTarget(program) as target:
        explorer = Explorer(plan, pictures, target)
        return Totals.sum(explorer.run(job) for job in jobs)


def repeat(program: Path, total: int, piece: int, workers: int) -> Counter[str]:
    """Run a program of counts in pieces, with seeds from 1 on."""
    counts = [min(piece, total - begun) for begun in range(0, total, piece)]
    with ThreadPoolExecutor(workers) as pool:
        seen = pool.map(partial(run, program), range(1, len(counts) + 1), counts)
        return sum(map(Counter, seen), Counter())


def report(figures: Figures, command: str, seconds: float) -> list[str]:
    """The figures as text."""
    campaigns = [[name, str(t.histories.total), str(t.boots), str(t.calls)]
                 for name, t in figures.campaigns.items()]
    images = [[name, str(sum(seen[kind] for kind in KINDS)), *(str(seen[kind]) for kind in KINDS),
               str(seen["served"]), str(seen["mended"])] for name, seen in figures.images.items()]
    total = sum(seen[kind] for seen in figures.images.values() for kind in KINDS)
    return [
        "The runtime under sanitizers: nothing undefined, no promise broken", "",
        f"    {command}", "",
        f"compiler: {figures.compiler} {figures.flags}", f"{seconds:.0f} seconds", "",
        "Power cuts at every page write (the campaign of `paramstore prove --quick`)", "",
        *table([Column("example", right=False), Column("histories"), Column("boots run"),
                Column("other calls")], campaigns), "",
        f"Arbitrary images to mount: {total}", "",
        *table([Column("example", right=False), Column("images"), *map(Column, KINDS),
                Column("groups served"), Column("groups mended")], images), "",
        *statuses("mounts that said", figures.images), "",
        "Random calls over a bus that fails, on parts that are damaged", "",
        *statuses("calls that said", figures.calls),
    ]


def statuses(title: str, seen: dict[str, Counter[str]]) -> list[str]:
    """How often each status was returned."""
    names = dict.fromkeys(name for counts in seen.values() for name in counts
                          if name.startswith("PS_"))
    return table([Column(title, right=False), *map(Column, seen)],
                 [[name, *(str(counts[name]) for counts in seen.values())] for name in names])


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--divide", type=int, default=1, help="do one of so many parts")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--to", type=Path, help="write the figures to this file as well")
    options = parser.parse_args(arguments)
    if options.divide < 1 or options.jobs < 1:
        parser.error("--divide and --jobs are 1 or more")
    begun = time.monotonic()
    words = sys.argv[1:] if arguments is None else arguments
    command = " ".join(("python -m tests.programs.sanitizers", *words))
    try:
        figures = measure(find_compiler(), options.divide, options.jobs)
    except ToolError as error:
        parser.exit(2, f"{error}\n{error.help}\n")
    except AssertionError as finding:
        print(finding, file=sys.stderr)
        return 1
    lines = report(figures, command, time.monotonic() - begun)
    print("\n".join(lines))
    if options.to is not None:
        write_text(options.to, "\n".join([*lines, ""]))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
