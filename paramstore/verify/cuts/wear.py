"""Years of use in accelerated time: a ring committed until its pages take no more.

The harness does the loop (`harness/wear.h`) with the real runtime, on a part whose pages keep what
they hold after a number of write cycles; here are the jobs and what came of them, to be laid beside
what `layout.figures` predicts.
"""

from __future__ import annotations

import struct
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from paramstore.core.errors import ToolError
from paramstore.core.scalars import SCALARS
from paramstore.layout.figures import figures
from paramstore.layout.physics import endurance_at
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.model import Field, Group, Kind, Parameter
from paramstore.verify.cuts.histories import build_lives
from paramstore.verify.rig.native import NativeTarget
from paramstore.verify.rig.toolchain import Compiler

__all__ = ["RingWear", "Worn", "wear_out", "wear_rings"]

_RESULT_WORDS = 10
_LOOK = 1009
"""Commits after which the store is mounted anew."""


@dataclass(frozen=True, slots=True)
class Worn:
    """What a ring has lived through. `commits` were acknowledged, `fresh_commits` of them before a
    page first refused a write. `least`, `greatest` and `total` are write cycles of the pages of
    the ring after the commit in which that happened, or at the end; `outside` those of all other
    pages since the format."""

    commits: int
    fresh_commits: int
    refused: int  # page writes that a worn page did not take
    looks: int  # mounts
    lost: int  # mounts that served something else than what was committed last
    ended: bool  # a commit failed
    least: int
    greatest: int
    total: int
    outside: int
    pages: int  # of the ring

    @property
    def unevenness(self) -> float:
        """Write cycles of the page that had the most, over their mean; 1 is even."""
        return self.greatest * self.pages / self.total


@dataclass(frozen=True, slots=True)
class RingWear:
    """What became of the ring of a group on pages that take `endurance` write cycles, `even`, and
    on pages of which some take up to half as many more, `uneven`."""

    group: str
    endurance: int
    predicted_commits: int
    even: Worn
    uneven: Worn

    @property
    def sound(self) -> bool:
        """Whether the ring lasted as predicted, wore evenly and lost nothing."""
        return (self.even.fresh_commits == self.predicted_commits
                and self.even.greatest - self.even.least <= 1
                and self.uneven.fresh_commits >= self.predicted_commits
                and 0 == self.even.lost == self.uneven.lost
                == self.even.outside == self.uneven.outside)


def wear_rings(plan: Plan, records: int, *, seed: int = 1,
               compiler: Compiler | None = None) -> tuple[RingWear, ...]:
    """Wear out the ring of each group of a plan: its slots, copies and record length, filled with
    bytes that may be anything, as the values of the person's own groups may not.

    Pages take what those of the part do, or less: so little that no ring takes more than `records`
    records. ToolError if there is no compiler or it fails.
    """
    schema = plan.schema
    endurance = max(1, min(int(endurance_at(schema.part, schema.temperature_c)),
                           records // max(ring.slots for ring in plan.rings)))
    part = replace(schema.part, endurance=((schema.temperature_c, float(endurance)),))
    bare = make_plan(replace(schema, part=part, series=0, retired_groups=(), groups=tuple(
        _bare(ring) for ring in plan.rings)))
    predicted = figures(bare).rings
    results = []
    with tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder:
        library = build_lives(bare, Path(folder), compiler=compiler)
        for index, ring in enumerate(bare.rings):
            even, uneven = (
                wear_out(library, ring.pages, group=index, endurance=endurance, spread=spread,
                         seed=seed) for spread in (0, endurance // 2))
            results.append(RingWear(ring.group.name, endurance, int(predicted[index].commits),
                                    even, uneven))
    return tuple(results)


def _bare(ring: Ring) -> Group:
    size = max(4, ring.body_bytes)  # a version takes 4 bytes
    field = Field("all", Kind.BYTES, SCALARS["u8"], size, (0,) * size, array=True)
    return replace(ring.group, parameters=(Parameter("all", Kind.BYTES, (field,)),), room=0,
                   slots=ring.slots, was=None, retired=())


def wear_out(library: Path, pages: int, *, endurance: int, group: int = 0, spread: int = 0,
             most: int = 100_000_000, seed: int = 1) -> Worn:
    """Commit a group of a library of `histories.build_lives` until a commit fails, `most` times at
    most; return what came of it.

    `pages` of its ring and all others take `endurance` write cycles and up to `spread` more. The
    store is mounted anew every `_LOOK` commits, and after every commit that met a worn page.
    """
    target = NativeTarget(library)
    order = target.byte_order
    job = struct.pack(f"{order}6I", seed, group, endurance, spread, most, _LOOK)
    sizes = struct.unpack(f"{order}2I", target.read("wear_sizes", 8))
    assert sizes == (len(job), 4 * _RESULT_WORDS)
    target.write("wear_job", job)
    if target.call("wear_run") != 0:
        raise ToolError("the simulated part could not be formatted")
    words = struct.unpack(f"{order}{_RESULT_WORDS}I",
                          target.read("wear_result", 4 * _RESULT_WORDS))
    commits, fresh, refused, looks, lost, ended, least, greatest, total, outside = words
    return Worn(commits, fresh, refused, looks, lost, bool(ended), least, greatest, total, outside,
                pages)
