"""Years of use in accelerated time: a ring committed until its pages take no more.

The harness does the loop (`harness/wear.h`) with the real runtime, on a part whose pages keep what
they hold after a number of write cycles; here are the jobs and what came of them, to be laid beside
what `layout.figures` predicts.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

from paramstore.cuts.native import NativeTarget
from paramstore.errors import ToolError

__all__ = ["Worn", "wear_out"]

_RESULT_WORDS = 10


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


def wear_out(library: Path, pages: int, *, endurance: int, spread: int = 0, most: int = 100_000_000,
             look: int = 1009, seed: int = 1) -> Worn:
    """Commit the first group of a library of `histories.build_lives` until a commit fails, `most`
    times at most; return what came of it.

    `pages` of its ring and all others take `endurance` write cycles and up to `spread` more. The
    store is mounted anew every `look` commits, and after every commit that met a worn page.
    """
    target = NativeTarget(library)
    order = target.byte_order
    job = struct.pack(f"{order}6I", seed, 0, endurance, spread, most, look)
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
