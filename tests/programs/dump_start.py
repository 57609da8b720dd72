"""How long it takes to decode and report a dump, beside a minimal click program, in one run.

    python -m tests.programs.dump_start [RUNS]

Both are whole processes, medians of RUNS (21) taken in turn, with byte code cached as an installed
package has it. Prints milliseconds and the ratio for each form of the dump of a 4 KB part.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.decode.scenes import SCHEMA

ROOT = Path(__file__).parents[2]
MINIMAL = """\
import click

@click.command()
def main():
    click.echo("done")

main()
"""
FORMS = ("bin", "hex", "txt")


def measure(runs: int) -> list[tuple[str, float, float]]:
    """Return (form, milliseconds of the minimal program, of `examine`) for each form."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        environment |= {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": f"{folder}/cache"}

        def run(*arguments: str) -> float:
            start = time.perf_counter()
            subprocess.run([sys.executable, *arguments], env=environment, cwd=folder, check=True,
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            return 1000 * (time.perf_counter() - start)

        minimal = Path(folder) / "minimal.py"
        minimal.write_text(MINIMAL, "utf-8")
        schema = Path(folder) / "bench_unit.toml"
        schema.write_text(SCHEMA, "utf-8")
        results = []
        for form in FORMS:
            dump = f"unit.{form}"
            run("-m", "host_tools.main", "pack", str(schema), "-o", dump)
            pairs = [(run(str(minimal)), run("-m", "host_tools.main", "examine", str(schema), dump))
                     for _ in range(runs + 1)][1:]  # the first pair fills the cache
            results.append((form, *(statistics.median(side) for side in zip(*pairs, strict=True))))
        return results


if __name__ == "__main__":
    print("form  minimal click  examine  ratio")
    for name, base, ours in measure(int(sys.argv[1]) if len(sys.argv) > 1 else 21):
        print(f"{name:4}  {base:10.1f} ms  {ours:4.1f} ms  {ours / base:5.2f}")
