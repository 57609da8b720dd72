"""Make random small mistakes in packages of the Python library, and tell which their tests miss.

    python -m tests.programs.library_mutants schema layout --count 100
    python -m tests.programs.library_mutants layout --of raw_conversion.py:may_round --count 0
    python -m tests.programs.library_mutants core --to tests/programs/figures/library_mutants

A package here may be a single module, too, or a part of a package such as `schema/fixed`; its tests
are `tests/PACKAGE` or `tests/test_PACKAGE.py`. Only they look for its mistakes: `mutant_bench`. A
mistake that uses up much more computing time than the tests need counts as noticed.
`equal_mutants.toml` has the mistakes that are none, with the reason; each must still be possible in
the code, and none may be noticed.

`--seed` chooses other mistakes, `--of` only those of a place, `--count 0` all of them. `--to`
writes a file for each package. Needs a system that can fork. Exit code 1 if a mistake was missed,
or if `equal_mutants.toml` is wrong.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from paramstore.core.disk import make_folder, write_text
from paramstore.report.tables import Column, table
from tests.programs.mutant_bench import ROOT, Bench, Mutant, copied, sources
from tests.programs.progress import Progress
from tests.programs.small_changes import KINDS, changes

EQUAL = Path(__file__).with_name("equal_mutants.toml")
_ENDLESS = 1e6


@dataclass(frozen=True, slots=True)
class Equal:
    """A change that no run can tell, and why."""

    file: str
    within: str
    old: str
    new: str
    why: str

    @property
    def key(self) -> tuple[str, str, str, str]:
        """As that of the mutant."""
        return self.file, self.within, self.old, self.new


@dataclass(slots=True)
class Outcome:
    """What became of the mutants of a package."""

    package: str
    possible: int
    chosen: int = 0
    caught: list[Mutant] = field(default_factory=list)
    survived: list[Mutant] = field(default_factory=list)
    argued: list[Mutant] = field(default_factory=list)
    wrong: list[Mutant] = field(default_factory=list)  # argued, but noticed

    def add(self, mutant: Mutant, noticed: bool, argued: bool) -> None:
        """Put a mutant where it belongs."""
        if noticed:
            self.caught.append(mutant)
            if argued:
                self.wrong.append(mutant)
        else:
            (self.argued if argued else self.survived).append(mutant)

    @property
    def share(self) -> float:
        """The part noticed of those that can be."""
        looked_for = len(self.caught) + len(self.survived)
        return len(self.caught) / looked_for if looked_for else 1.0


# ---- What can be changed -------------------------------------------------------------------------


def mutants(texts: Mapping[str, str]) -> list[Mutant]:
    """All that can be made of modules."""
    return [Mutant(file, c) for file, text in texts.items() for c in changes(text)]


def chosen(possible: Sequence[Mutant], seed: str, count: int) -> list[Mutant]:
    """`count` of them, in no order that has to do with the code; all, in their order, if 0."""
    if not count:
        return list(possible)
    return random.Random(seed).sample(possible, min(count, len(possible)))


def read_equal(text: str) -> list[Equal]:
    """The mutants that are argued to change nothing."""
    return [Equal(**entry) for entry in tomllib.loads(text).get("mutant", [])]


def stale(equal: Sequence[Equal], library: Path) -> list[str]:
    """Complaints about those that are not possible in the code any more, or are named twice."""
    possible: dict[str, set[tuple[str, str, str, str]]] = {}
    for file in {e.file for e in equal}:
        path = library / file
        texts = {file: path.read_text("utf-8")} if path.is_file() else {}
        possible[file] = {m.key for m in mutants(texts)}
    said = Counter(e.key for e in equal)
    return [f"{e.file} {e.within}: `{e.old}` cannot become `{e.new}` there"
            for e in equal if e.key not in possible[e.file]] + [
        f"{key[0]} {key[1]}: `{key[2]}` becomes `{key[3]}` twice"
        for key, times in said.items() if times > 1]


# ---- Telling -------------------------------------------------------------------------------------


def judged(bench: Bench, package: str, options: argparse.Namespace,
           equal: Sequence[Equal]) -> Outcome:
    """Make the chosen mistakes of a package one after the other."""
    possible = mutants(bench.texts)
    among = [m for m in possible
             if any(word in f"{m.file}:{m.change.within}" for word in options.of or [""])]
    todo = chosen(among, f"{options.seed} {package}", options.count)
    outcome, argued = Outcome(package, len(possible), len(todo)), {e.key for e in equal}
    progress = Progress()
    for number, (mutant, noticed) in enumerate(bench.judge(todo, options.minutes)):
        outcome.add(mutant, noticed, mutant.key in argued)
        if mutant in outcome.survived:
            print(f"missed: {mutant}", file=sys.stderr, flush=True)
        progress(number / len(todo))
    return outcome


def report(outcome: Outcome, equal: Sequence[Equal]) -> list[str]:
    """What to say of a package."""
    def of(kind: str, among: Sequence[Mutant]) -> int:
        return sum(kind in ("all", m.change.kind) for m in among)

    made = len(outcome.caught) + len(outcome.survived) + len(outcome.argued)
    late = outcome.chosen - made
    rows = []
    for kind in (*KINDS, "all"):
        found = [of(kind, among) for among in (outcome.caught, outcome.survived, outcome.argued)]
        rows.append([kind, str(sum(found)), *map(str, found)])
    columns = [Column("kind", right=False),
               *(Column(title, right=True) for title in ("made", "noticed", "missed", "equal"))]
    why = {e.key: e.why for e in equal}
    return [
        f"{outcome.package}: {outcome.share:.1%} of the mistakes noticed that can be "
        f"({outcome.possible} could be made)",
        *([f"not made for want of time: {late}, most of what runs while tests are collected"]
          if late > 0 else []), "", *table(columns, rows),
        *(f"missed: {m}" for m in outcome.survived),
        *(f"equal: {m}: {why[m.key]}" for m in outcome.argued),
        *(f"said to be equal, but noticed: {m}" for m in outcome.wrong)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("packages", nargs="+")
    parser.add_argument("--count", type=int, default=100,
                        help="mistakes in each package; 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--of", action="append", help="only in places with this: FILE:FUNCTION")
    parser.add_argument("--minutes", type=float, default=_ENDLESS,
                        help="stop a package after this time")
    parser.add_argument("--to", type=Path, help="a folder for a file of each package")
    options = parser.parse_args(arguments)
    equal = read_equal(EQUAL.read_text("utf-8"))
    complaints = stale(equal, ROOT / "paramstore")
    wrong = bool(complaints)
    print(*complaints, sep="\n", end="\n" if complaints else "")
    for package in options.packages:
        if not sources(package, ROOT / "paramstore"):
            parser.error(f"there is no package {package!r}")
        with tempfile.TemporaryDirectory() as folder:
            outcome = judged(copied(package, Path(folder) / "tree"), package, options, equal)
        lines = report(outcome, equal)
        print(*lines, "", sep="\n", flush=True)
        if options.to is not None:
            command = (f"python -m tests.programs.library_mutants {package} --seed {options.seed} "
                       f"--count {options.count}")
            if options.minutes < _ENDLESS:
                command += f" --minutes {options.minutes:g}"
            kept = options.to / f"{package}.txt"
            make_folder(kept.parent)
            write_text(kept, "\n".join([command, "", *lines, ""]))
        wrong |= bool(outcome.survived or outcome.wrong)
    return int(wrong)


if __name__ == "__main__":
    raise SystemExit(main())
