"""How long commands take from start to end, beside a minimal click program, in one run.

    python -m tests.programs.command_times [--rounds N] [--only WORDS] [--json]

Whole processes that take turns, with byte code cached as an installed package has it. What counts
is the least time of a processor (user and system) among N (15) runs of each, as a ratio to that of
the minimal program: other work on the machine can only add to it. Each kind of command has its aim.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from host_tools.commands import SUMMARIES
from tests.inspect.scenes import SCHEMA

ROOT = Path(__file__).parents[2]
MINIMAL = """\
import click

@click.command()
@click.option("--name", default="x")
def main(name):
    click.echo(name)

main()
"""
FORMS = ("bin", "hex", "txt")
HELP, DUMP, WHOLE = 1.1, 2.2, 3.0
"""The aims: `--help`, a decoded dump, and what reads a folder or writes many files."""


class Program(NamedTuple):
    """What is run, and how many times the minimal program's time it may take."""

    name: str
    words: tuple[str, ...]
    aim: float


def programs(schema: Path) -> list[Program]:
    """Return what is measured; `schema` is of the dumps unit.bin, unit.hex and unit.txt."""
    ours = ("-m", "host_tools.main")
    shipped = ROOT / "schemas"
    return [
        Program("--help", (*ours, "--help"), HELP),
        *(Program(f"{name} --help", (*ours, name, "--help"), HELP) for name in SUMMARIES),
        *(Program(f"{name} unit.{form}", (*ours, name, str(schema), f"unit.{form}"), DUMP)
          for name in ("unpack", "examine", "bytes") for form in FORMS),
        Program("examine FOLDER", (*ours, "examine", str(shipped),
                                   str(shipped / "tank_probe.damaged.hex")), WHOLE),
        Program("generate large.toml", (*ours, "generate", str(shipped / "large.toml"), "-o",
                                        "generated"), WHOLE),
    ]


def measure(rounds: int, only: str = "") -> tuple[float, dict[Program, float]]:
    """Return the seconds of the minimal program, and of each one whose name has `only` in it."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        environment |= {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": f"{folder}/cache"}

        def run(*words: str) -> float:
            with subprocess.Popen([sys.executable, *words], env=environment, cwd=folder,
                                  stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
                _, status, used = os.wait4(process.pid, 0)
                process.returncode = os.waitstatus_to_exitcode(status)
            if process.returncode not in (0, 1):  # 1: findings
                raise SystemExit(f"exit code {process.returncode}: {' '.join(words)}")
            return used.ru_utime + used.ru_stime

        minimal, schema = Path(folder) / "minimal.py", Path(folder) / "bench_unit.toml"
        minimal.write_text(MINIMAL, "utf-8")
        schema.write_text(SCHEMA, "utf-8")
        for form in FORMS:
            run("-m", "host_tools.main", "pack", str(schema), "-o", f"unit.{form}")
        base = Program("minimal click program", (str(minimal), "--help"), 1.0)
        chosen = [base, *(p for p in programs(schema) if only in p.name)]
        least = dict.fromkeys(chosen, float("inf"))
        for turn in range(rounds + 1):
            for program in chosen:
                took = run(*program.words)
                if turn:  # the first turn fills the cache of byte code
                    least[program] = min(least[program], took)
        return least.pop(base), least


def main() -> None:
    """Measure and print; exit code 1 if something takes longer than its aim."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--only", default="", help="only programs with these words in their name")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    base, times = measure(options.rounds, options.only)
    slow = [p.name for p, took in times.items() if took / base > p.aim]
    if options.json:
        print(json.dumps({"minimal_s": base, "slow": slow, "commands": [
            {"command": p.name, "s": took, "ratio": took / base, "aim": p.aim}
            for p, took in times.items()]}))
    else:
        print(f"minimal click program: {1000 * base:.0f} ms of a processor")
        for program, took in times.items():
            print(f"{program.name:20}  {1000 * took:5.0f} ms  x {took / base:.2f}  "
                  f"aim {program.aim}{'  SLOW' if program.name in slow else ''}")
    raise SystemExit(bool(slow))


if __name__ == "__main__":
    main()
