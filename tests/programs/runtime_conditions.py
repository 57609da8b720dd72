"""Print which conditions of the C runtime decide an outcome on their own (MC/DC), with clang 19.

    python -m tests.programs.runtime_conditions
    python -m tests.programs.runtime_conditions --to tests/programs/figures/runtime_conditions.txt

Modified condition/decision coverage: for each condition of a decision there are two runs in which
it alone turns the outcome. Needs clang-19, llvm-19 and libclang-rt-19-dev (Debian's names), and
gcc, which links. What is driven is the same as in `runtime_coverage`. Exit code 1 if a condition is
not shown and not argued for in `ARGUED`, or argued for and shown.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from paramstore.core.disk import write_text
from paramstore.core.errors import ToolError
from paramstore.firmware.generate import runtime_files
from paramstore.verify.rig.toolchain import Compiler
from tests.programs.runtime_coverage import CAMPAIGN_WORDS, ROOT, TESTS

CLANG = Compiler("clang-19", ("clang-19",))
FLAGS = ("-std=c99", "-O0", "-fPIC", "-fprofile-instr-generate", "-fcoverage-mapping",
         "-fcoverage-mcdc")


@dataclass(frozen=True, slots=True)
class Argued:
    """A condition that cannot be shown to decide: the decision as it stands in the source, white
    space folded, the condition's place in it from 0, and why."""

    decision: str
    condition: int
    why: str


ARGUED = (
    Argued("ring->sequence == SEQ_NONE && (ring->health & PS_HEALTH_MIGRATED) == 0u && "
           "has_factory_values(group, image)", 1,
           "ps_format has just committed every migrated group, or has failed; asked all the same, "
           "as values of a unit in the field depend on it"),
)


@dataclass(frozen=True, slots=True)
class Decision:
    """A decision of two or more conditions, and which of them were shown to decide."""

    line: int
    text: str
    shown: tuple[bool, ...]


# ---- Running -------------------------------------------------------------------------------------


def measure(folder: Path) -> list[Decision]:
    """Run everything; return the decisions of the runtime."""
    for name, text in runtime_files().items():
        (folder / name).write_text(text, "utf-8")
    CLANG.object(folder / "paramstore.c", folder / "paramstore.o", FLAGS)
    link = (profile_library(), "-Wl,-u,__llvm_profile_runtime")
    for driver in ("run_campaigns()", "run_tests()"):
        # A process of its own: counts are written when it ends.
        code = (f"from tests.programs import runtime_coverage as c; "
                f"c.use_object(c.Path({str(folder)!r}), {link!r}); c.{driver}")
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=ROOT, check=False, stdout=sys.stderr,
            env={**os.environ, "CC": "gcc", "LLVM_PROFILE_FILE": str(folder / "%p-%m.profraw")})
        if done.returncode != 0:
            raise ToolError(f"{driver} failed", "see above")
    return decisions_of(folder)


def profile_library() -> str:
    """The library that writes the counts."""
    resources = _output("clang-19", "-print-resource-dir").strip()
    found = sorted(Path(resources).glob("lib/linux/libclang_rt.profile-*.a"))
    native = [path for path in found if os.uname().machine in path.name]
    if not native:
        raise ToolError("no profile library for clang-19", "install libclang-rt-19-dev")
    return str(native[0])


def _output(*words: str) -> str:
    try:
        return subprocess.run(words, capture_output=True, text=True, check=True).stdout
    except FileNotFoundError as error:
        raise ToolError(f"no {words[0]}",
                        "install clang-19, llvm-19, libclang-rt-19-dev") from error
    except subprocess.CalledProcessError as error:
        raise ToolError(f"{words[0]} failed", error.stderr.strip()) from error


# ---- Reading -------------------------------------------------------------------------------------


def decisions_of(folder: Path) -> list[Decision]:
    """What llvm-cov says of the object in a folder."""
    raw = [str(path) for path in sorted(folder.glob("*.profraw"))]
    profile = str(folder / "all.profdata")
    _output("llvm-profdata-19", "merge", "-sparse", *raw, "-o", profile)
    exported = json.loads(_output("llvm-cov-19", "export", "-instr-profile", profile,
                                  str(folder / "paramstore.o")))
    source = (folder / "paramstore.c").read_text("utf-8").splitlines()
    (file,) = (f for f in exported["data"][0]["files"] if f["filename"].endswith("paramstore.c"))
    return [_decision(record, source) for record in file["mcdc_records"]]


def _decision(record: Sequence[Any], source: Sequence[str]) -> Decision:
    """A record is: line and column of the start, of the end, ..., and a list of truths."""
    line, column, last, end = record[:4]
    lines = list(source[line - 1:last])
    lines[-1] = lines[-1][:end - 1]
    lines[0] = lines[0][column - 1:]
    return Decision(line, " ".join(" ".join(lines).split()), tuple(record[-1]))


# ---- Judging -------------------------------------------------------------------------------------


def not_shown(decisions: Sequence[Decision], argued: Sequence[Argued] = ARGUED) -> list[str]:
    """Say what was not shown without an argument, and which arguments do not hold."""
    reasons = {(a.decision, a.condition) for a in argued}
    missed = {(d.text, i): d.line
              for d in decisions for i, shown in enumerate(d.shown) if not shown}
    wrong = [f"{line}: condition {i} never decides alone: {text}"
             for (text, i), line in sorted(missed.items(), key=lambda item: item[1])
             if (text, i) not in reasons]
    return wrong + [f"argued, but shown or not there any more: condition {i} of {text}"
                    for text, i in sorted(reasons - missed.keys())]


def report(decisions: Sequence[Decision], command: str) -> list[str]:
    """The figures as text."""
    conditions = [shown for d in decisions for shown in d.shown]
    lines = ["Modified condition/decision coverage of the C runtime", "", f"    {command}", "",
             _output("clang-19", "--version").splitlines()[0], "",
             f"decisions of two or more conditions  {len(decisions)}",
             f"conditions in them                   {len(conditions)}",
             f"shown to decide alone                {sum(conditions)}", "",
             f"campaign: {CAMPAIGN_WORDS}",
             f"tests: {' '.join(TESTS)}", "", f"Argued, not shown: {len(ARGUED)} conditions"]
    for argued in ARGUED:
        lines += ["", f"  condition {argued.condition} of {argued.decision}", f"    {argued.why}"]
    return [*lines, "", *(not_shown(decisions) or ["Every other condition was shown."])]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--to", type=Path, help="write the figures to this file as well")
    options = parser.parse_args(arguments)
    words = sys.argv[1:] if arguments is None else arguments
    command = " ".join(("python -m tests.programs.runtime_conditions", *words))
    try:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
            decisions = measure(Path(folder))
        lines = report(decisions, command)
    except ToolError as error:
        parser.exit(2, f"{error}\n{error.help}\n")
    print("\n".join(lines))
    if options.to is not None:
        write_text(options.to, "\n".join([*lines, ""]))
    return int(bool(not_shown(decisions)))


if __name__ == "__main__":
    raise SystemExit(main())
