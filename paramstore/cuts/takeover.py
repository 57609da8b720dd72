"""A part of an earlier release under the firmware of a later one, the power cut anywhere.

What the later firmware must see is made on the host (`image.migrate`), which shares nothing with
the C. Each boot serves exactly that, before, amid and after the take-over; afterwards commits work
as on any part.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from paramstore.cuts.build import build_library
from paramstore.cuts.explorer import MOST_OPERATIONS, Explorer, Job, limits_of
from paramstore.cuts.native import NativeTarget
from paramstore.cuts.pictures import make_pictures
from paramstore.cuts.results import FIRST_GROUP, MOST_CUTS, Operation, Start, Totals
from paramstore.image.contents import newest_records, unpack
from paramstore.image.migrate import migrate
from paramstore.layout.plan import Plan
from paramstore.rig.toolchain import Compiler

__all__ = ["cut_take_over", "take_over_jobs"]

OLDER = Start(older=True)


def take_over_jobs(plan: Plan, samples: int, depth: int = MOST_CUTS, seed: int = 1) -> list[Job]:
    """Return the jobs: formats and boots with up to `depth` cuts in a row, and a format followed by
    a commit of each group, with one less."""
    formats = (Operation.FORMAT, Operation.BOOT)
    return [
        Job(OLDER, MOST_OPERATIONS, depth, formats, (), samples, seed),
        *(Job(OLDER, 2, depth - 1, (FIRST_GROUP + g,), (Operation.FORMAT,), samples, seed)
          for g in range(len(plan.rings)))]


def _prepare(explorer: Explorer, former: Plan, between: Sequence[Plan]) -> None:
    """Let an explorer begin with a part of the release `former`, every group of it packed.

    `between` are all plans from `former` to that of the explorer, both included.
    """
    plan = explorer.plan
    image = make_pictures(former).images[1]
    becomes = migrate(unpack(former, image), plan, between).image
    newest = newest_records(plan, becomes)
    explorer.learn_older(image, becomes, [r.group.id in newest for r in plan.rings])
    limits = limits_of(plan)
    explorer.set_limits(replace(limits, format_bits=limits.format_bits + sum(limits.commit_bits),
                                mount_bits=2 * limits.mount_bits))


def cut_take_over(former: Plan, between: Sequence[Plan], *, samples: int = 2,
                  depth: int = MOST_CUTS, seed: int = 1, compiler: Compiler | None = None,
                  runtime: Mapping[str, str] | None = None) -> Totals:
    """Do the jobs of a take-over (with `runtime` instead of the real one) and return what they
    counted.

    ToolError if there is no compiler or it fails.
    """
    plan = between[-1]
    with tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder:
        pictures = make_pictures(plan)
        explorer = Explorer(plan, pictures, NativeTarget(build_library(
            plan, pictures, Path(folder), compiler=compiler, runtime=runtime)))
        _prepare(explorer, former, between)
        return Totals.sum(explorer.run(job) for job in take_over_jobs(plan, samples, depth, seed))
