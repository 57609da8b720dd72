"""How long it takes to decode and report a dump, beside a minimal click program, in one run.

    python -m tests.programs.dump_start [RUNS]

Whole processes that take turns, RUNS (21) of each, with byte code cached as an installed package
has it. Prints the median in milliseconds and its ratio to that of the minimal program, for each
command and each form of the dump of a 4 KB part; the aim is 2.5.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.inspect.scenes import SCHEMA

ROOT = Path(__file__).parents[2]
MINIMAL = """\
import click

@click.command()
def main():
    click.echo("done")

main()
"""
FORMS = ("bin", "hex", "txt")
COMMANDS = ("unpack", "examine", "bytes")


def measure(runs: int) -> tuple[float, dict[tuple[str, str], float]]:
    """Return the median milliseconds of the minimal program, and of each command and form."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        environment |= {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": f"{folder}/cache"}

        def run(*arguments: str) -> float:
            start = time.perf_counter()
            subprocess.run([sys.executable, *arguments], env=environment, cwd=folder, check=True,
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            return 1000 * (time.perf_counter() - start)

        minimal, schema = Path(folder) / "minimal.py", Path(folder) / "bench_unit.toml"
        minimal.write_text(MINIMAL, "utf-8")
        schema.write_text(SCHEMA, "utf-8")
        ours = ("-m", "host_tools.main")
        for form in FORMS:
            run(*ours, "pack", str(schema), "-o", f"unit.{form}")
        programs = {("minimal click", ""): (str(minimal),)} | {
            (command, form): (*ours, command, str(schema), f"unit.{form}")
            for command in COMMANDS for form in FORMS}
        times: dict[tuple[str, str], list[float]] = {name: [] for name in programs}
        for turn in range(runs + 1):
            for name, words in programs.items():
                took = run(*words)
                if turn:  # the first turn fills the cache
                    times[name].append(took)
        medians = {name: statistics.median(each) for name, each in times.items()}
        return medians.pop(("minimal click", "")), medians


if __name__ == "__main__":
    base, found = measure(int(sys.argv[1]) if len(sys.argv) > 1 else 21)
    print(f"minimal click program: {base:.1f} ms")
    for (command, form), took in found.items():
        print(f"{command:7}  {form:3}  {took:6.1f} ms  x {took / base:.2f}")
