"""Print which lines and branches of the C runtime the campaign and the tests run, with gcov.

    python -m tests.programs.runtime_coverage
    python -m tests.programs.runtime_coverage --to tests/programs/figures/runtime_coverage.txt

Needs gcc and gcov. The runtime is compiled once, without optimisation, and that object goes into
everything that the driven code builds of it: libraries of the rigs, the harness, the fuzzers. Exit
code 1 if a line or branch is not run and not argued for in `ARGUED`, or argued for and run.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from paramstore.core.disk import write_text
from paramstore.core.errors import ToolError
from paramstore.firmware.generate import runtime_files
from paramstore.report.tables import Column, table
from paramstore.verify.rig.toolchain import Compiler

ROOT = Path(__file__).parents[2]
GCC = Compiler("gcc", ("gcc",))
CAMPAIGNS = ("minimal", "tank_probe")
CAMPAIGN_PART, FAULT_CASES = 40, 30  # every so many jobs of a sweep; cases of a class and start
TESTS = (*(f"tests/verify/rig/test_{name}.py" for name in (
    "bad_reads", "bus_failures", "calls", "damage_flag", "mount", "native", "promises", "provision",
    "served", "trouble", "twin")),
    "tests/releases/test_matrix.py::test_a_value_that_does_not_fit_becomes_a_default")
CAMPAIGN_WORDS = (f"one of {CAMPAIGN_PART} jobs of `paramstore prove --quick` of "
                  f"{' and '.join(CAMPAIGNS)}, and {FAULT_CASES} cases of each class of faults")


@dataclass(frozen=True, slots=True)
class Argued:
    """A branch that nothing can take: the line as it stands in the source, the function that it is
    in, which of gcov's branches of the line (from 0), and why."""

    function: str
    line: str
    branches: tuple[int, ...]
    why: str


ARGUED = (
    Argued("ram_index", "return little ? i : i ^ (size - 1u);", (1,),
           "gcov runs on a little-endian computer; tests/firmware/test_emulated.py runs the other "
           "way on a PowerPC"),
    Argued("ps_provision",
           "if (ring->sequence == SEQ_NONE && (ring->health & PS_HEALTH_MIGRATED) == 0u &&", (3,),
           "ps_format has just committed every migrated group, or has failed; asked all "
           "the same, as values of a unit in the field depend on it"),
)


@dataclass(frozen=True, slots=True)
class Line:
    """A line of code: how often it was run, and each branch that begins in it."""

    number: int
    function: str
    text: str
    count: int
    branches: tuple[int, ...]


# ---- Running -------------------------------------------------------------------------------------


def measure(folder: Path) -> dict[str, list[Line]]:
    """Run everything; return the lines after the campaign, and after the tests as well."""
    for name, text in runtime_files().items():
        (folder / name).write_text(text, "utf-8")
    GCC.object(folder / "paramstore.c", folder / "paramstore.o",
               ("-std=c99", "-O0", "-fPIC", "--coverage"))
    found = {}
    for title, driver in (("campaign", "run_campaigns()"), ("and tests", "run_tests()")):
        # A process of its own: counts are written when it ends.
        code = (f"from tests.programs import runtime_coverage as c; "
                f"c.use_object(c.Path({str(folder)!r})); c.{driver}")
        done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False,
                              env={**os.environ, "CC": "gcc"}, stdout=sys.stderr)
        if done.returncode != 0:
            raise ToolError(f"what was run for the {title} failed", "see above")
        found[title] = lines_of(folder)
    return found


def use_object(folder: Path, link: Sequence[str] = ("--coverage",)) -> None:
    """From here on, whatever gcc links of the unchanged runtime for this machine is the object, and
    `link` besides."""
    original = Compiler._run
    text = (folder / "paramstore.c").read_text("utf-8")

    def run(self: Compiler, words: Sequence[str], target: Path) -> Path:
        if self.command == GCC.command and "-c" not in words:
            words = [str(folder / "paramstore.o") if _is(word, text) else word for word in words]
            words = [*words, *link]
        return original(self, words, target)

    patch.object(Compiler, "_run", run).start()


def _is(word: str, text: str) -> bool:
    return Path(word).name == "paramstore.c" and Path(word).read_text("utf-8") == text


def run_campaigns() -> None:
    """A part of the quick campaigns of two examples, in this process: counts are kept when a
    process ends by itself, and workers are ended."""
    from paramstore.verify.cuts.build import build_harness
    from paramstore.verify.cuts.faults import run_faults
    from paramstore.verify.cuts.results import Totals
    from paramstore.verify.cuts.sweeps import Level, fault_starts, sweeps
    from tests.firmware.builds import example_plan

    for name in CAMPAIGNS:
        plan = example_plan(name)
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
            explorer = build_harness(plan, Path(folder), GCC).explorer()
            jobs = [job for sweep in sweeps(plan, Level.QUICK) for job in sweep.jobs()]
            totals = Totals.sum(explorer.run(job) for job in jobs[::CAMPAIGN_PART])
            faults = run_faults(explorer, fault_starts(plan), FAULT_CASES)
        assert 0 == totals.violation_count
        assert 0 == sum(result.counts.violations for result in faults)


def run_tests() -> None:
    """The tests that drive the compiled runtime."""
    import pytest

    code = pytest.main(["-q", "-p", "no:cacheprovider", *TESTS])
    assert 0 == code, "a test failed"


# ---- Reading -------------------------------------------------------------------------------------


def lines_of(folder: Path) -> list[Line]:
    """What gcov says of the object in a folder."""
    done = subprocess.run(
        ["gcov", "--json-format", "--stdout", "--branch-probabilities", "paramstore.gcda"],
        cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise ToolError("gcov failed", done.stderr.strip())
    source = (folder / "paramstore.c").read_text("utf-8").splitlines()
    (file,) = (f for f in json.loads(done.stdout)["files"] if f["file"].endswith("paramstore.c"))
    return [_line(row, source[row["line_number"] - 1].strip()) for row in file["lines"]]


def _line(row: Mapping[str, Any], text: str) -> Line:
    return Line(row["line_number"], row.get("function_name", ""), text, row["count"],
                tuple(branch["count"] for branch in row["branches"]))


# ---- Judging -------------------------------------------------------------------------------------


def not_run(lines: Sequence[Line], argued: Sequence[Argued] = ARGUED) -> list[str]:
    """Say what was not run without an argument, and which arguments do not hold."""
    wrong = []
    reasons = {(a.function, a.line, branch) for a in argued for branch in a.branches}
    missed = {(line.function, line.text, i) for line in lines if line.count
              for i, count in enumerate(line.branches) if not count}
    for line in lines:
        if line.count == 0:
            wrong.append(f"{line.number}: not run: {line.text}")
        ways = [i for i, _ in enumerate(line.branches)
                if (line.function, line.text, i) in missed - reasons]
        if ways:
            wrong.append(f"{line.number}: branches {ways} of {len(line.branches)} not taken, in "
                         f"{line.function}: {line.text}")
    wrong += [f"argued, but taken or not there any more: branch {branch} of `{text}` in {function}"
              for function, text, branch in sorted(reasons - missed)]
    return wrong


def row(title: str, lines: Sequence[Line]) -> list[str]:
    """Counts of a stage."""
    branches = [count for line in lines for count in line.branches]
    return [title, str(sum(line.count > 0 for line in lines)), str(len(lines)),
            str(sum(count > 0 for count in branches)), str(len(branches))]


def report(found: Mapping[str, Sequence[Line]], command: str) -> list[str]:
    """The figures as text."""
    compiler = subprocess.run(["gcc", "--version"], capture_output=True, text=True, check=True)
    columns = [Column("after", right=False), Column("lines run"), Column("of"),
               Column("branches taken"), Column("of")]
    lines = ["Coverage of the C runtime by gcov", "", f"    {command}", "",
             compiler.stdout.splitlines()[0], "",
             *table(columns, [row(title, lines) for title, lines in found.items()]), "",
             f"campaign: {CAMPAIGN_WORDS}",
             f"tests: {' '.join(TESTS)}", ""]
    lines += [f"Argued, not taken: {sum(len(a.branches) for a in ARGUED)} branches"]
    for argued in ARGUED:
        lines += ["", f"  {argued.function}: {argued.line}", f"    {argued.why}"]
    wrong = not_run(list(found.values())[-1])
    return [*lines, "", *(wrong or ["Everything else was run."])]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--to", type=Path, help="write the figures to this file as well")
    options = parser.parse_args(arguments)
    words = sys.argv[1:] if arguments is None else arguments
    command = " ".join(("python -m tests.programs.runtime_coverage", *words))
    try:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
            found = measure(Path(folder))
    except ToolError as error:
        parser.exit(2, f"{error}\n{error.help}\n")
    lines = report(found, command)
    print("\n".join(lines))
    if options.to is not None:
        write_text(options.to, "\n".join([*lines, ""]))
    return int(bool(not_run(list(found.values())[-1])))


if __name__ == "__main__":
    raise SystemExit(main())
