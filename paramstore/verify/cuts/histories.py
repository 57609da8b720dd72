"""Histories with weak cells: how often the commit rule loses something that no rule can be sure of.

A cut page write can leave cells that read differently from one reading to the next. The harness
(`harness/histories.h`) lives through random histories of one group on such a part, with the real
runtime; here are the settings worth comparing, and the counts. Sampled, so nothing here is a proof.
"""

from __future__ import annotations

import os
import struct
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import cache
from itertools import product
from pathlib import Path

from paramstore.core.errors import SourceText, ToolError
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.reader import read_schema
from paramstore.verify.cuts.build import write_harness
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.rig.native import NativeTarget
from paramstore.verify.rig.toolchain import Compiler, find_compiler

__all__ = ["EVERY_SETTING", "STEADY", "WEAKNESSES", "Counts", "Setting", "Weakness",
           "build_lives", "measure", "one_group_plan", "run_histories"]

_CHUNK = 20_000
_UNUSED = ("explore.c", "oracle.c", "faults.c", "cases.c", "strikes.c", "damage.c", "hostile.c",
           "copies.c", "records.c")
_CUT_CHANCE = 128  # of 256 boots: every second one

_SCHEMA = """
[store]
name = "one_group"
doc = "One group and a small part, to measure a ring of slots (invented)"

[store.part]
name = "small"
capacity = 1024
page = 32
address_bytes = 2
write_ms = 5
endurance = [[25, {endurance}]]
clocks = [[1.8, 400]]

[group.state]
role = "setting"
writes = "1 per day"
slots = {slots}
copies = {copies}

[group.state.parameter]
version = {{ type = "u32" }}
rest = {{ type = "bytes", size = {rest} }}
"""


@dataclass(frozen=True, slots=True)
class Weakness:
    """What a cut leaves: `bits` of the bits that were to change read at random; with `share`, one
    in so many of them instead, at least one."""

    bits: int = 0
    share: int = 0

    @property
    def name(self) -> str:
        """As a number of bits, or as a fraction of those that were to change."""
        return f"1/{self.share}" if self.share else str(self.bits)


STEADY = Weakness()
"""Cells that read the same every time, whatever they hold."""
WEAKNESSES = (Weakness(bits=1), Weakness(bits=2), Weakness(share=16), Weakness(share=64))


@dataclass(frozen=True, slots=True)
class Setting:
    """A ring, the cells, and whether the application settles: commits a group once after a boot,
    before it uses its values."""

    slots: int
    copies: int
    settle: bool
    weakness: Weakness


EVERY_SETTING = tuple(
    Setting(slots, copies, settle, weakness)
    for copies, slots, settle, weakness in product((1, 2), (3, 4, 6), (False, True), WEAKNESSES))


@dataclass(frozen=True, slots=True)
class Counts:
    """Histories, and in how many of them something happened, once or more. A boot that finds no
    readable record, and says so, counts as `lost` and `empty`."""

    histories: int = 0
    lost: int = 0  # used something else than the last acknowledged values or later ones
    back: int = 0  # used values older than those that an earlier boot used
    returned: int = 0  # of those lost: values never acknowledged came back after a later commit
    empty: int = 0  # no record was readable
    mixed: int = 0  # used values that were never committed
    failed: int = 0  # a call failed with the power on
    boots: int = 0
    cuts: int = 0

    def __add__(self, other: Counts) -> Counts:
        return Counts(*(getattr(self, name) + getattr(other, name) for name in self.__slots__))

    def per_million(self, name: str) -> float:
        """Return how many of 10^6 histories a count (`lost`, ...) is."""
        return float(getattr(self, name) * 1e6 / self.histories)


def one_group_plan(slots: int, copies: int, *, rest: int = 19, endurance: int = 1_000_000) -> Plan:
    """Return the plan of one group with `rest` bytes beside its version, on pages of 32 bytes.

    19 bytes fill one page, 51 two. FindingsError if there is no such ring.
    """
    text = _SCHEMA.format(slots=slots, copies=copies, rest=rest, endurance=endurance)
    return make_plan(read_schema(SourceText("one_group.toml", text))[0])


def build_lives(plan: Plan, folder: Path, *, compiler: Compiler | None = None,
                runtime: Mapping[str, str] | None = None) -> Path:
    """Compile `histories.c` and `wear.c` with the tables of a plan (and `runtime` instead of the
    real one) and return the library.

    Every byte of a group must take any value, and there must be four or more: ToolError if a
    parameter has limits or a group is too small. ToolError also if there is no compiler.
    """
    for ring in plan.rings:
        fields = ring.group.fields
        if any(f.limits.ranges or f.limits.mask is not None or f.rising for f in fields):
            raise ToolError(f"group `{ring.group.name}` has limits, so no value tells a version")
        if ring.payload_bytes < 4:
            raise ToolError(f"group `{ring.group.name}` is too small: a version takes 4 bytes")
    sources = [path for path in write_harness(plan, make_pictures(plan), folder,
                                              runtime=runtime)
               if path.name not in _UNUSED]
    compiler = compiler or find_compiler()
    return compiler.library(sources, folder / "lives", ("-std=c99", "-O2")).resolve()


@cache
def _target(library: Path) -> NativeTarget:
    return NativeTarget(library)


def run_histories(library: Path, setting: Setting, histories: int, *, first: int = 0,
                  seed: int = 1, cut_chance: int = _CUT_CHANCE) -> Counts:
    """Live through histories with the numbers `first` on; seed and number make a history.

    The slots and copies are those that the library was built for. `cut_chance` of 256 boots are
    cut.
    """
    target = _target(library)
    order = target.byte_order
    job = struct.pack(f"{order}7I", seed, first, histories, setting.settle, setting.weakness.bits,
                      setting.weakness.share, cut_chance)
    _check_sizes(target, "histories_sizes", len(job), 4 * (len(Counts.__slots__) - 1))
    target.write("histories_job", job)
    if target.call("histories_run") != 0:
        raise ToolError("the simulated part could not be formatted")
    words = len(Counts.__slots__) - 1
    return Counts(histories, *struct.unpack(
        f"{order}{words}I", target.read("histories_result", 4 * words)))


def _check_sizes(target: NativeTarget, name: str, job: int, result: int) -> None:
    """The layout of job and result is written in C and here: they must agree."""
    assert struct.unpack(f"{target.byte_order}2I", target.read(name, 8)) == (job, result)


def measure(histories: int, *, settings: Sequence[Setting] = EVERY_SETTING, seed: int = 1,
            workers: int | None = None, compiler: Compiler | None = None,
            progress: Callable[[float], None] | None = None) -> dict[Setting, Counts]:
    """Live through `histories` of each setting on several processes, all of them by default.

    The counts do not depend on `workers`. `progress` is told which part is done, from 0 to 1.
    ToolError if there is no compiler or a worker comes to a sudden end.
    """
    with tempfile.TemporaryDirectory(prefix="paramstore-", ignore_cleanup_errors=True) as folder:
        libraries = {
            (slots, copies): build_lives(one_group_plan(slots, copies),
                                         Path(folder) / f"{slots}_{copies}", compiler=compiler)
            for slots, copies in {(s.slots, s.copies) for s in settings}}
        return _share_out(libraries, settings, histories, seed, workers or os.cpu_count() or 1,
                          progress)


def _share_out(libraries: dict[tuple[int, int], Path], settings: Sequence[Setting], histories: int,
               seed: int, workers: int,
               progress: Callable[[float], None] | None) -> dict[Setting, Counts]:
    counts = dict.fromkeys(settings, Counts())
    pieces = list(_pieces(settings, histories))
    with ProcessPoolExecutor(workers) as pool:
        futures = {
            pool.submit(run_histories, libraries[s.slots, s.copies], s, count, first=first,
                        seed=seed): s
            for s, first, count in pieces}
        try:
            for done, future in enumerate(as_completed(futures), start=1):
                counts[futures[future]] += future.result()
                if progress is not None:
                    progress(done / len(pieces))
        except BrokenProcessPool as error:
            raise ToolError("a worker process came to a sudden end") from error
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
    return counts


def _pieces(settings: Sequence[Setting], histories: int) -> Iterator[tuple[Setting, int, int]]:
    for setting in settings:
        for first in range(0, histories, _CHUNK):
            yield setting, first, min(_CHUNK, histories - first)
