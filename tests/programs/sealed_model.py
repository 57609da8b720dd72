"""Checks the rule of `sealed_rule` in a model, with Spin: every cut and every reading.

    python -m tests.programs.sealed_model           three writes: seconds
    python -m tests.programs.sealed_model --writes 4     18 minutes of a processor, 9 GB

Needs `spin` and `gcc`. No assertion may fail with five slots. With three slots one must: a front of
three records leaves nothing to write to but what a boot may have used. (Four slots bear three
writes, and fail with four.)
"""

from __future__ import annotations

import argparse
import re
import subprocess
import tempfile
from pathlib import Path

MODEL = Path(__file__).with_name("sealed_rule.pml")


def states(slots: int, writes: int) -> tuple[int, int]:
    """Return how many states the model has, and how many assertions failed."""
    with tempfile.TemporaryDirectory() as folder:
        def run(*words: str) -> str:
            return subprocess.run(words, cwd=folder, check=True, capture_output=True,
                                  text=True).stdout

        run("spin", f"-DSLOTS={slots}", f"-DWRITES={writes}", "-a", str(MODEL))
        run("gcc", "-w", "-O2", "-DSAFETY", "-DCOLLAPSE", "-DMEMLIM=9000", "-o", "pan", "pan.c")
        said = run("./pan", "-m1000000", "-E")
    stored, errors = re.search(r"(\d+) states, stored", said), re.search(r"errors: (\d+)", said)
    short = "max search depth too small" in said or "reached" in said.partition("State-vector")[0]
    if stored is None or errors is None or short:
        raise SystemExit(f"the search did not come to its end:\n{said}")
    return int(stored[1]), int(errors[1])


def main() -> None:
    """Check, and say how many states there were; exit code 1 if it is not as it must be."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--writes", type=int, default=3)
    writes = parser.parse_args().writes
    as_expected = True
    for slots, fails in ((5, False), (3, True)):
        stored, errors = states(slots, writes)
        print(f"{slots} slots, {writes} writes: {stored:,} states, "
              f"{'an assertion failed' if errors else 'no assertion failed'}", flush=True)
        as_expected &= bool(errors) == fails
    raise SystemExit(not as_expected)


if __name__ == "__main__":
    main()
