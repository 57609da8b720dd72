"""A commit rule for cells that read differently each time: random histories of the rule alone.

    python -m tests.programs.sealed_rule
    python -m tests.programs.sealed_rule --histories 1000000 --to FILE

No version of the format has it yet: this is what a design is judged by before it is built.

With "the newest right record counts" a boot may use a record that the next boot does not find: the
cells of a page whose write was cut may be on the border, and read anew each time. A sealed commit
is judged by many cells at once, in a page that is written only after the pages of its record:

- A slot has the pages of a record, then a seal: W cells that follow from the CRC of the record, so
  that the seal of any other record agrees in about half of them.
- Commit: the pages of the record, read back; the seal, read back; then it is acknowledged.
- Evidence of a record is the share of its seal's cells that agree: the mean of 18 readings, or of
  two if these agree in full. A seal that was begun says that its record is whole and stable.
- Mount takes the right record with the greatest number among those with 0.75 or more. With 0.96 or
  more its values may be used. Else the same values are written as a new record first; if that is
  cut, the next boot begins anew, and nothing was used.
- The number that follows is that of the greatest right record, sealed or not, and on from there to
  the first slot that is not kept. Kept is the slot of the chosen record and, while it is not
  settled, each slot of which no newer one has as much evidence, from 0.70 on. A newer record with
  as much evidence is as good in all that follows; so what a boot may have used outlives the
  attempts. If all are kept, the one with the least evidence is written over.

Cells, readings and thresholds are those that `sealed_bound` finds best.

What is counted: boots on defaults or on values older than those last acknowledged (*lost*), and
boots on values older than an earlier boot used (*back*). Assumed: only the page being written
becomes weak; a page write that ended is stable; weak cells turn each by itself, or together as far
as *shift* says. A value whose commit was cut may appear at a later boot, until the next one is
acknowledged.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

from paramstore.core.disk import write_text
from paramstore.report.tables import Column, table
from paramstore.verify.rig.toolchain import find_compiler
from tests.programs.progress import Progress

SOURCE = Path(__file__).with_suffix(".c")
_BLOCK = 20_000
"""Histories that a process runs at a time."""


class Totals(NamedTuple):
    """What happened in histories; `unsettled` are boots that wrote before they used a value."""

    histories: int
    commits: int
    cuts: int
    boots: int
    unsettled: int
    older: int
    defaults: int
    back: int

    def plus(self, other: Totals) -> Totals:
        """Return the totals of both."""
        return Totals(*(a + b for a, b in zip(self, other, strict=True)))


class Setting(NamedTuple):
    """A rule in a surrounding, as the words that `sealed_rule.c` takes."""

    title: str
    words: str
    harsh: bool = False
    share: int = 1  # one in so many of the histories, where each takes long

    @property
    def arguments(self) -> list[str]:
        """The words for the program."""
        harsh = "near 0.9 cut 0.7 least_ops 10 most_ops 40" if self.harsh else ""
        return f"{self.words} {harsh}".split()


SETTINGS = (
    Setting("newest right record, 3 slots", "rule 0 slots 3"),
    Setting("the same, settled at each boot", "rule 1 slots 3"),
    Setting("sealed, 128 cells, 4 slots", "slots 4"),
    Setting("sealed, 64 cells, 5 slots", "bits 64"),
    Setting("sealed, 128 cells, 5 slots", ""),
    Setting("sealed, 128 cells, 5 slots, 3 pages", "pages 3"),
    Setting("the same seal, cells turn together by 0.1", "shift 0.1"),
    Setting("the same, by 0.4", "shift 0.4"),
    Setting("the same, by 1", "shift 1"),
    Setting("sealed, 64 cells, 5 slots", "bits 64", True, 5),
    Setting("sealed, 128 cells, 4 slots", "slots 4", True, 5),
    Setting("sealed, 128 cells, 5 slots", "", True, 5),
    Setting("the same, only chosen and best known kept", "keep 1", True, 5),
)
"""Harsh: 10 to 40 operations, 70 % of writes cut, nine in ten cut seals put beside a threshold."""

MISTAKES = {
    "no slot is kept but the chosen one": "keep 0",
    "numbers go on from the chosen record": "greatest 0 readings 4 complete 1",
    "the seal is written before its record": "last 0",
    "values are used before they are settled": "settle 0",
    "any seal that was begun counts": "taken 0.52 used 0.53 guarded 0.52",
}
"""Words that leave something out of the rule; each must be seen to fail. That numbers go on from
the greatest right record matters so rarely that only the noise of fewer readings shows it."""


def build(folder: Path) -> Path:
    """Compile the rule; return the program. ToolError without a compiler."""
    return find_compiler().program([SOURCE], folder / "sealed_rule", ["-O3", "-lm"])


def run(program: Path, words: Iterable[str], first: int, histories: int, seed: int) -> Totals:
    """Run histories from number `first` on; the same numbers and seed give the same totals."""
    done = subprocess.run([program, *words, "first", str(first), "histories", str(histories),
                           "seed", str(seed)], check=True, capture_output=True, text=True)
    return Totals(*map(int, done.stdout.split()))


def measure(program: Path, setting: Setting, histories: int, seed: int, jobs: int) -> Totals:
    """Run all histories of a setting, in several processes."""
    starts = range(0, max(1, histories // setting.share), _BLOCK)
    with ThreadPoolExecutor(jobs) as pool:
        parts = pool.map(lambda first: run(program, setting.arguments, first, min(
            _BLOCK, histories // setting.share - first), seed), starts)
        total = Totals(*[0] * len(Totals._fields))
        for part in parts:
            total = total.plus(part)
    return total


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure every setting and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--histories", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the table there, too")
    options = parser.parse_args(arguments)
    rows, tell = [], Progress()
    with tempfile.TemporaryDirectory() as folder:
        program = build(Path(folder))
        for number, setting in enumerate(SETTINGS):
            t = measure(program, setting, options.histories, options.seed, options.jobs)
            rows.append(["harsh" if setting.harsh else "", setting.title,
                         *(f"{n:,}" for n in (t.histories, t.cuts, t.boots, t.older, t.defaults,
                                              t.back))])
            tell((number + 1) / len(SETTINGS))
    columns = [Column("", right=False), Column("rule", right=False), *(
        Column(name) for name in ("histories", "cuts", "boots", "lost: older", "lost: defaults",
                                  "back"))]
    text = "\n".join([f"python -m tests.programs.sealed_rule --histories {options.histories} "
                      f"--seed {options.seed}", *table(columns, rows)]) + "\n"
    print(text, end="")
    if options.to:
        write_text(options.to, text)


if __name__ == "__main__":
    main()
