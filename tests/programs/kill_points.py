"""Cut every page write of every work on a part in every way, with records, and count the cuts.

    python -m tests.programs.kill_points
    python -m tests.programs.kill_points --jobs 4 --to tests/programs/figures/kill_points.txt

Six parts, one for each way of addressing; the works are those of `tests/bus/kills.py`, and its
oracle looks at part and records after each cut and at the end. Pages are torn in every way that
is known, then by chance: there the repeat is cut as well, at a page by chance. Exit code 1:
something was not as promised.
"""

from __future__ import annotations

import argparse
import random
import tempfile
from collections.abc import Iterator, Sequence
from multiprocessing import Pool
from pathlib import Path
from typing import NamedTuple

from paramstore.bus import programmer
from paramstore.core.disk import write_text
from paramstore.report.tables import Column, table
from paramstore.verify.eeprom.faults import Tear, Torn
from tests.bus.kills import PARTS, TEARS, WORKS, Campaign, Cut
from tests.programs.progress import Progress

CHANCES = 2
"""Tears by chance of each page write."""


class Job(NamedTuple):
    """One kind of work on one part, torn in all ways, then so many times by chance."""

    part: str
    work: str
    chances: int


class Count(NamedTuple):
    """What came of a job."""

    job: Job
    points: int
    cuts: int
    broken: tuple[str, ...]


def histories(job: Job, points: int) -> Iterator[tuple[Cut, ...]]:
    """Yield the cuts of one history after another."""
    for number in range(1, points + 1):
        for tear in TEARS:
            yield ((number, tear),)
    chance = random.Random(f"{job.part} {job.work}")
    for number in range(1, points + 1):
        for _ in range(job.chances):
            yield (number, by_chance(chance)), (chance.randint(1, points), by_chance(chance))


def by_chance(chance: random.Random) -> Tear:
    """One of the ways that have a place or a seed."""
    return Tear(chance.choice((Torn.MIX, Torn.NOISE, Torn.PREFIX, Torn.SUFFIX)),
                chance.randrange(1, 32), chance.randrange(1 << 16))


def count(job: Job) -> Count:
    """Do all histories of a job; one that breaks a promise does not stop the others."""
    programmer.READ_BYTES = 1 << 13  # only writes are cut: reads may be as long as they like
    cuts, broken = 0, []
    with tempfile.TemporaryDirectory() as folder:
        campaign = Campaign(job.part, WORKS[job.work], Path(folder), noted=True)
        points = campaign.points()
        for history in histories(job, points):
            try:
                cuts += campaign.cut(*history)
            except Exception as error:  # whatever it is, it is what is looked for
                broken.append(f"{history}: {type(error).__name__} {error}")
    return Count(job, points, cuts, tuple(broken))


def report(counts: Sequence[Count]) -> list[str]:
    """The table and its sum."""
    columns = [Column("part", right=False), Column("work", right=False), Column("page writes"),
               Column("cuts"), Column("violations")]
    lines = table(columns, [(c.job.part, c.job.work, str(c.points), f"{c.cuts:,}",
                             f"{len(c.broken):,}") for c in counts])
    lines += ["", f"{sum(c.points for c in counts)} page writes, "
              f"{sum(c.cuts for c in counts):,} cuts, "
              f"{sum(len(c.broken) for c in counts):,} violations"]
    lines += [f"first of {c.job.work} on {c.job.part}: {c.broken[0]}" for c in counts if c.broken]
    return lines


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program; 1 if a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--chances", type=int, default=CHANCES, help="tears by chance of a page")
    parser.add_argument("--part", choices=PARTS, help="this one only")
    parser.add_argument("--work", choices=WORKS, help="this one only")
    parser.add_argument("--to", type=Path, help="write the table to this file as well")
    options = parser.parse_args(arguments)
    jobs = [Job(part, work, options.chances) for part in PARTS for work in WORKS
            if options.part in (None, part) and options.work in (None, work)]
    progress, counts = Progress(), []
    with Pool(options.jobs) as pool:
        for done in pool.imap(count, jobs):
            counts.append(done)
            progress(len(counts) / len(jobs))
    lines = report(counts)
    print("\n".join(lines))
    if options.to is not None:
        command = f"python -m tests.programs.kill_points --chances {options.chances}"
        write_text(options.to, "\n".join([command, "", *lines, ""]))
    return int(any(c.broken for c in counts))


if __name__ == "__main__":
    raise SystemExit(main())
