"""A part of an earlier release under the firmware of a later one, the power cut anywhere.

What the later firmware must see is made on the host (`image.migrate`), which shares nothing with
the C. Each boot serves exactly that, before, amid and after the migration; afterwards commits work
as on any part.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from paramstore.core.errors import ToolError
from paramstore.image.contents import newest_records, unpack
from paramstore.image.migrate import migrate
from paramstore.layout.plan import Plan
from paramstore.verify.cuts.build import build_harness, build_library
from paramstore.verify.cuts.explorer import MOST_OPERATIONS, ExploreJob, Explorer, limits_of
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.cuts.results import (
    FIRST_GROUP,
    MOST_CUTS,
    CutHistory,
    Operation,
    Start,
    Totals,
    Violation,
)
from paramstore.verify.cuts.workers import Workers
from paramstore.verify.rig.native import NativeTarget
from paramstore.verify.rig.toolchain import Compiler

__all__ = ["MigrationCuts", "cut_migration", "migration_jobs", "replay_migration", "run_migrations"]


@dataclass(frozen=True, slots=True)
class MigrationCuts:
    """What came of parts of an earlier release, with up to `depth` cuts."""

    release: int
    depth: int
    totals: Totals


def migration_jobs(former: Plan, plan: Plan, samples: int, depth: int,
                   seed: int) -> list[ExploreJob]:
    """Return the jobs: formats and boots with up to `depth` cuts in a row, and a format followed by
    a commit of each group, with one less."""
    start = Start(older=former.release)
    formats = (Operation.FORMAT, Operation.BOOT)
    return [
        ExploreJob(start, MOST_OPERATIONS, depth, formats, (), samples, seed),
        *(ExploreJob(start, 2, depth - 1, (FIRST_GROUP + g,), (Operation.FORMAT,), samples, seed)
          for g in range(len(plan.rings)))]


def _prepare(explorer: Explorer, former: Plan, between: Sequence[Plan]) -> None:
    """Let an explorer begin with a part of the release `former`, every group of it packed.

    `between` are all plans from `former` to that of the explorer, both included.
    """
    plan = explorer.plan
    image = make_pictures(former).images[1]
    becomes = migrate(unpack(former, image), plan, between).image
    newest = newest_records(plan, becomes)
    # A group that takes values from elsewhere is written anew with the label, others are not.
    limited = [bool(g.resets) and not g.migrated for g in unpack(plan, image).groups]
    explorer.learn_older(image, becomes, [r.group.id in newest for r in plan.rings], limited)
    limits = limits_of(plan)
    explorer.set_limits(replace(limits, format_bits=limits.format_bits + sum(limits.commit_bits),
                                mount_bits=2 * limits.mount_bits))


def run_migrations(explorer: Explorer, earlier: Sequence[Plan], *, samples: int, depth: int,
                   seed: int) -> Iterator[MigrationCuts]:
    """Let the explorer's firmware migrate a part of each earlier release, from the first on.

    Ends prepared for the release that came last out, so that its histories can be replayed.
    """
    for at, former in enumerate(earlier):
        _prepare(explorer, former, (*earlier[at:], explorer.plan))
        yield MigrationCuts(former.release, depth, Totals.sum(
            explorer.run(job)
            for job in migration_jobs(former, explorer.plan, samples, depth, seed)))


def replay_migration(plan: Plan, earlier: Sequence[Plan], history: CutHistory,
                     compiler: Compiler | None = None) -> Violation | None:
    """Play a history that begins with a part of an earlier release; return what is wrong first.

    ToolError if there is no such release, or if there is no compiler or it fails.
    """
    releases = [former.release for former in earlier]
    if history.start.older not in releases:
        raise ToolError(f"there is no earlier release {history.start.older} in this series",
                        f"the releases before are {', '.join(map(str, releases)) or 'none'}")
    at = releases.index(history.start.older)
    with (tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder,
          Workers(build_harness(plan, Path(folder), compiler)) as worker):
        return worker.do(_judge, earlier[at:], history)


def _judge(explorer: Explorer, earlier: Sequence[Plan], history: CutHistory) -> Violation | None:
    _prepare(explorer, earlier[0], (*earlier, explorer.plan))
    return explorer.judge(history)[0]


def cut_migration(earlier: Sequence[Plan], plan: Plan, *, samples: int = 2, depth: int = MOST_CUTS,
                  seed: int = 1, runtime: Mapping[str, str] | None = None) -> Totals:
    """Let the firmware of `plan` (with `runtime` instead of the real one) migrate a part of the
    first of the earlier releases.

    ToolError if there is no compiler or it fails.
    """
    with tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder:
        pictures = make_pictures(plan)
        explorer = Explorer(plan, pictures, NativeTarget(build_library(
            plan, pictures, Path(folder), runtime=runtime)))
        return next(run_migrations(explorer, earlier, samples=samples, depth=depth,
                                   seed=seed)).totals
