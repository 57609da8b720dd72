"""How quickly the commands answer `--help`, beside a minimal click program on the same machine.

Run it as `python -m tests.programs.startup_times [--rounds N] [--json]`. The processes take turns,
so that a busy machine slows all of them alike; what counts is the ratio of medians, aim 1.6.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from host_tools.commands import SUMMARIES

AIM = 1.6
MINIMAL = """\
import click

@click.command()
@click.option("--name", default="x")
def main(name):
    click.echo(name)

main()
"""


def _seconds(words: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def measure(rounds: int) -> dict[str, float]:
    """Return the median time of each command's `--help`, in seconds; "" is minimal click's."""
    with tempfile.TemporaryDirectory() as folder:
        minimal = Path(folder, "minimal.py")
        minimal.write_text(MINIMAL, "utf-8")
        ours = [sys.executable, "-m", "host_tools.main"]
        commands = {"": [sys.executable, str(minimal), "--help"], "paramstore": [*ours, "--help"]}
        commands |= {name: [*ours, name, "--help"] for name in SUMMARIES}
        times: dict[str, list[float]] = {name: [] for name in commands}
        for number in range(rounds + 1):
            for name, words in commands.items():
                took = _seconds(words)
                if number:  # the first round fills the caches
                    times[name].append(took)
    return {name: statistics.median(values) for name, values in times.items()}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    times = measure(options.rounds)
    base = times.pop("")
    ratios = {name: value / base for name, value in times.items()}
    if options.json:
        print(json.dumps({"minimal_s": base, "times_s": times, "ratios": ratios, "aim": AIM}))
        return
    print(f"minimal click program: {base * 1000:.1f} ms (median of {options.rounds})")
    for name, ratio in ratios.items():
        print(f"{name:12} {times[name] * 1000:6.1f} ms  x {ratio:.2f}")
    print(f"slowest: x {max(ratios.values()):.2f}, aim x {AIM}")


if __name__ == "__main__":
    main()
