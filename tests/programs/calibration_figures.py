"""What calibration promises, in figures: random tables of every model, fitted as a person's are.

    python -m tests.programs.calibration_figures
    python -m tests.programs.calibration_figures --to tests/programs/figures/calibration.txt

Every table is fitted by statsmodels as well; the true sensor is known, so one sees how often
U = k u holds it (95.45 % is promised), in how many tables a good point is called an outlier, and
how many points with an error of 8 times the scatter are told. A good point may be called one in
5 % of tables, which 1,000 tables show to 0.7 %: so that is counted in more. Curves with chosen
breakpoints take longer: they get no more tables, and a wrong point in every fourth. What a smooth
sensor costs a curve is shown, and promised by nobody. Fixed seeds. Exit code 1: a promise was
broken.
"""

from __future__ import annotations

import argparse
import zlib
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path

import numpy as np

from paramstore.calibrate.fitting import Job, fit_unit
from paramstore.calibrate.result import OutlierState, Result
from paramstore.calibrate.table import Measurement
from paramstore.core.disk import write_text
from paramstore.core.errors import SourceText, Span
from paramstore.report.tables import Column, table
from tests.programs.calibration_models import CASES, Case, Table
from tests.programs.progress import Progress

SEED = 15
ERROR, MORE, WRONG = 8, 3, 4
"""In parts of the scatter, the error that is put on one point of a second table; how many times the
tables false outliers are counted in; and in one of how many tables of a curve that error is."""
AGREEMENT, COVERAGE, TOLD, FALSE, ATTAINABLE = 1e-9, (0.93, 0.97), 0.95, 0.06, 1.1
_NOWHERE = SourceText("figures", "\n")


@dataclass
class Counts:
    """What came of the tables of a case; `apart` in parts of u, over numbers and their u; `close`:
    curves with breakpoints within one step; `largest`: largest error over the attainable one."""

    case: Case
    tables: int = 0
    looked: int = 0
    apart: float = 0.0
    inside: int = 0
    inside_two: int = 0
    points: int = 0
    false: int = 0
    told: int = 0
    judged: int = 0
    wrong: int = 0
    close: int = 0
    largest: float = 0.0

    def broken(self) -> list[str]:
        """Return the promises that were not kept, by their words in the head of the table."""
        coverage, enough = self.inside / self.points, self.tables >= 50
        if not self.case.promised:
            return []
        found = {
            "apart": self.apart > AGREEMENT,
            "in U": enough and not COVERAGE[0] <= coverage <= COVERAGE[1],
            "false": enough and self.false > FALSE * self.looked,
            "told": enough and self.told < TOLD * self.judged,
            "too close": self.close > 0,
            "largest error": self.largest > ATTAINABLE,
        }
        return [name for name, broken in found.items() if broken]


def fitted(case: Case, made: Table, reference: np.ndarray) -> Result:
    """Fit a table as `calibrate` does."""
    rows = [Measurement(float(y), float(x), Span(1, 1, 1, 2), None, float(t)) for y, x, t in zip(
        reference, made.reading, made.temperature, strict=True)]
    result = fit_unit(Job(case.calibration, "", rows, _NOWHERE, _NOWHERE, []))
    assert result is not None
    return result


def count(case: Case, tables: int) -> Counts:
    """Fit so many tables of a case, and some once more with one wrong point."""
    counts = Counts(case)
    random = np.random.default_rng([SEED, zlib.crc32(case.name.encode())])
    common = case.calibration.number("reference_uncertainty") or 0.0
    all_tables = tables if case.chosen else MORE * tables
    for number in range(all_tables):
        made = case.unit(random)
        size = len(made.value)
        reference = made.value + made.error + case.noise * random.standard_normal(size) + (
            common * random.standard_normal())
        result = fitted(case, made, reference)
        counts.looked += 1
        counts.false += any(p.outlier for p in result.points)
        if number >= tables:
            continue
        _add(counts, made, reference, result)
        if number % WRONG == 0 or not case.chosen:
            wrong = int(random.integers(size))
            reference[wrong] += ERROR * (made.scatter or case.noise) * random.choice([-1, 1])
            point = fitted(case, made, reference).points[wrong]
            counts.wrong += 1
            counts.judged += point.state is not OutlierState.UNKNOWN
            counts.told += point.outlier
    return counts


def _add(counts: Counts, made: Table, reference: np.ndarray, result: Result) -> None:
    counts.tables += 1
    for point, true in zip(result.points, made.value, strict=True):
        assert point.budget is not None
        error = abs(point.reference + point.error - true)
        counts.points += 1
        counts.inside += error <= point.budget.expanded
        counts.inside_two += error <= 2 * point.budget.combined
    if counts.case.chosen:
        x = np.array(result.raws["cal"]["tenths.x"], float)
        counts.close += bool((np.diff(x) <= 1).any())
    if counts.case.solve is not None:
        by_library = counts.case.solve(reference, made)
        assert by_library.freedom == result.freedom
        if by_library.largest is not None:
            counts.largest = max(counts.largest, abs(result.worst.error) / by_library.largest)
            return
        for index, (ours, number) in enumerate(zip(result.numbers, by_library.numbers,
                                                   strict=True)):
            assert ours.uncertainty is not None
            u = (ours.uncertainty if by_library.uncertainty is None
                 else by_library.uncertainty[index])
            counts.apart = max(counts.apart, abs(ours.fitted - number) / u,
                               abs(ours.uncertainty - u) / u)


def report(rows: Sequence[Counts]) -> list[str]:
    """The table, and what was not kept."""
    columns = [Column("model", right=False), Column("tables"), Column("apart", "u"),
               Column("in U", "%"), Column("in 2u", "%"), Column("false", "%"),
               Column("told", "%"), Column("cannot be judged", "%")]
    lines = table(columns, [(
        r.case.name, f"{r.tables:,}", f"{r.apart:.0e}" if r.apart else "",
        f"{100 * r.inside / r.points:.1f}", f"{100 * r.inside_two / r.points:.1f}",
        f"{100 * r.false / r.looked:.1f}", f"{100 * r.told / max(1, r.judged):.1f}",
        f"{100 - 100 * r.judged / r.wrong:.1f}") for r in rows])
    lines += ["", *(f"{r.case.name}: largest error at most {r.largest:.3f} times the attainable one"
                    for r in rows if r.largest)]
    broken = [f"{r.case.name}: {', '.join(r.broken())}" for r in rows if r.broken()]
    return [*lines, *(f"broken: {b}" for b in broken),
            f"{sum(r.tables for r in rows):,} tables, {len(broken)} models with a broken promise"]


def _row(index: int, options: argparse.Namespace) -> Counts:
    """Return the counts of a case; of a sensor that nothing is promised of, in fewer tables."""
    case = CASES[index]
    tables = options.chosen if case.chosen else options.tables
    return count(case, tables if case.promised else -(-tables // WRONG))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program; 1 if a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--tables", type=int, default=1000, help="of each model")
    parser.add_argument("--chosen", type=int, default=400,
                        help="of each curve with chosen breakpoints, which take longer")
    parser.add_argument("--processes", type=int, default=2, help="at once")
    parser.add_argument("--to", type=Path, help="write the table to this file as well")
    options = parser.parse_args(arguments)
    progress = Progress()
    rows = []
    with ProcessPoolExecutor(options.processes) as pool:
        for row in pool.map(_row, range(len(CASES)), repeat(options)):
            rows.append(row)
            progress(len(rows) / len(CASES))
    lines = report(rows)
    print("\n".join(lines))
    if options.to is not None:
        command = (f"python -m tests.programs.calibration_figures --tables {options.tables} "
                   f"--chosen {options.chosen}")
        write_text(options.to, "\n".join([command, "", *lines, ""]))
    return int(any(r.broken() for r in rows))


if __name__ == "__main__":
    raise SystemExit(main())
