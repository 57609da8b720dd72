"""Print what notices each deliberate mistake, and the invariant that it names.

    python -m tests.programs.mutants
    python -m tests.programs.mutants --to tests/programs/figures/mutants.txt
    python -m tests.programs.mutants CRC slot     only those with one of these words in the name

Exit code 1 if a mistake escapes.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from paramstore.core.disk import write_text
from paramstore.report.tables import Column, table
from paramstore.verify.cuts.results import Verdict
from tests.verify.cuts.mutants import HISTORIES, Mutant
from tests.verify.cuts.mutants_in_python import IN_CHANGES
from tests.verify.cuts.mutation import MUTANTS, who_catches


def row(mutant: Mutant, found: Verdict | str) -> list[str]:
    """A row of the table: where, mistake, who caught it, what invariant it named."""
    who = f"NOT CAUGHT AS SAID: {found}"
    if found == mutant.caught_by:
        tests = str(mutant.caught_by).removeprefix("tests/")
        oracle = (HISTORIES if mutant.example == HISTORIES
                  else "units of earlier releases" if mutant in IN_CHANGES
                  else f"{mutant.kind or 'explorer'}, {mutant.example}")
        who = oracle if mutant.explored else tests
    return [mutant.where, mutant.name, mutant.invariant, who]


def report(chosen: Sequence[Mutant], found: Sequence[Verdict | str]) -> list[str]:
    """The table and its sums."""
    rows = [row(mutant, what) for mutant, what in zip(chosen, found, strict=True)]
    columns = [Column(title, right=False)
               for title in ("in", "mistake", "breaks", "caught by")]
    in_c, in_twin = (sum(m.where == where for m in chosen) for where in ("C", "twin"))
    return [*table(columns, rows), "",
            f"{in_c} mistakes in the runtime, {in_twin} in the twin, "
            f"{len(chosen) - in_c - in_twin} in what is announced; "
            f"{escaped(chosen, found)} not caught as said"]


def escaped(chosen: Sequence[Mutant], found: Sequence[Verdict | str]) -> int:
    """How many were not caught by whoever should."""
    return sum(what != mutant.caught_by for mutant, what in zip(chosen, found, strict=True))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("words", nargs="*", help="of the names of mistakes; all by default")
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--to", type=Path, help="write the table to this file as well")
    options = parser.parse_args(arguments)
    words: list[str] = options.words
    chosen = [m for m in MUTANTS if not words or any(word in m.name for word in words)]
    with ThreadPoolExecutor(options.jobs) as pool:
        found = list(pool.map(who_catches, chosen))
    lines = report(chosen, found)
    print("\n".join(lines))
    if options.to is not None:
        write_text(options.to, "\n".join(["python -m tests.programs.mutants", "", *lines, ""]))
    return int(escaped(chosen, found) > 0)


if __name__ == "__main__":
    raise SystemExit(main())
