"""Print how many power cuts a second one processor judges, here and on an emulated Cortex-M0+.

    python -m tests.programs.cut_speed
    python -m tests.programs.cut_speed --native --json

A boot is a power cut, a mount by the real runtime and the verdict on what it serves. Counted are
boots that were run, none that equal states stand for; seconds are those of the processor.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from paramstore.core.disk import read_text
from paramstore.layout.plan import Plan
from paramstore.releases.project import open_project
from paramstore.verify.cuts.build import build_library
from paramstore.verify.cuts.explorer import ExploreJob, Explorer
from paramstore.verify.cuts.histories import one_group_plan
from paramstore.verify.cuts.machine import build_machine
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.cuts.results import FIRST_GROUP, Operation, Start
from paramstore.verify.rig.native import NativeTarget

SCHEMA = Path(__file__).parents[2] / "schemas" / "tank_probe.toml"
NATIVE, MACHINE = "this computer", "Cortex-M0+, emulated"
_JOBS = {NATIVE: ExploreJob(Start(rounds=3), 3, 2, (Operation.BOOT, FIRST_GROUP), samples=32),
         MACHINE: ExploreJob(Start(rounds=3), 2, 1, (Operation.BOOT, FIRST_GROUP), samples=32)}


def speeds(plan: Plan, machine: bool) -> Iterator[tuple[str, int, float]]:
    """Yield engine, boots and processor seconds."""
    pictures = make_pictures(plan)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        native = Explorer(plan, pictures, NativeTarget(
            build_library(plan, pictures, folder / "native")))
        yield NATIVE, *_timed(native, _JOBS[NATIVE])
        if machine:
            emulated = build_machine(plan, pictures, folder / "machine")
            emulated.run(ExploreJob(Start(), 1, 0, (Operation.BOOT,)))  # translates the code once
            yield MACHINE, *_timed(emulated, _JOBS[MACHINE])


def _timed(explorer: Explorer, job: ExploreJob) -> tuple[int, float]:
    start = time.process_time()
    boots = explorer.run(job).boots
    return boots, time.process_time() - start


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0] if __doc__ else "")
    parser.add_argument("--native", action="store_true", help="leave the emulator out")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    plans = {"one group of one page": one_group_plan(3, 1),
             "tank_probe": open_project(read_text(SCHEMA)).plan}
    rows = [{"store": store, "engine": engine, "boots": boots,
             "boots_per_second": round(boots / seconds)}
            for store, plan in plans.items()
            for engine, boots, seconds in speeds(plan, not options.native)]
    if options.json:
        print(json.dumps({"schema_version": 1, "speeds": rows}, indent=2))
    else:
        for row in rows:
            print(f"{row['store']:24}{row['engine']:24}{row['boots']:>10,} boots"
                  f"{row['boots_per_second']:>12,} a second")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
