"""The harness: that it compiles anywhere, counts right, and sees what is wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from paramstore.verify.cuts.build import build_library, write_harness
from paramstore.verify.cuts.explorer import ExploreJob, Explorer, limits_of
from paramstore.verify.cuts.history import history_text, parse_history, shrink
from paramstore.verify.cuts.pictures import make_pictures
from paramstore.verify.cuts.replay import play
from paramstore.verify.cuts.results import (
    COLUMNS,
    FIRST_GROUP,
    Operation,
    Start,
    Tally,
    Totals,
    Verdict,
)
from paramstore.verify.rig.compiled import shim_text
from paramstore.verify.rig.native import NativeCode, NativeRig, NativeTarget
from paramstore.verify.rig.toolchain import WARNINGS, Compiler, find_compiler
from tests.firmware.builds import EXAMPLES, example_plan, host_compilers, write, write_store, zig
from tests.verify.cuts.harnesses import (
    NO_CRC,
    bench,
    broken_harness,
    broken_runtime,
    fresh_folder,
    harness,
)

SETTINGS = FIRST_GROUP  # of the smallest example
ALL = (Operation.BOOT, Operation.FORMAT, Operation.WIPE, SETTINGS)


@pytest.fixture
def explorer() -> Explorer:
    """The harness of the smallest example."""
    return harness("minimal").explorer()


# ---- Compiling -----------------------------------------------------------------------------------


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
@pytest.mark.parametrize("name", EXAMPLES)
def test_compiles_without_a_warning(name: str, compiler: Compiler, tmp_path: Path) -> None:
    """Strict C99 on every host compiler, and the library can be driven."""
    plan = example_plan(name)
    pictures = make_pictures(plan)
    library = build_library(plan, pictures, tmp_path, compiler=compiler, flags=WARNINGS)
    explorer = Explorer(plan, pictures, NativeTarget(library))
    assert explorer.pictures_mounted
    assert 1 == explorer.run(ExploreJob(Start(), 1, 0, (Operation.BOOT,))).histories.total


def test_compiles_for_a_microcontroller(tmp_path: Path) -> None:
    """Freestanding: no header and no function of a C library."""
    plan = example_plan("tank_probe")
    for source in write_harness(plan, make_pictures(plan), tmp_path, memo=0, wipe=False):
        zig().object(source, tmp_path / f"{source.stem}.o", (
            "-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus", "-O2", "-ffreestanding",
            *WARNINGS))


# ---- Counting ------------------------------------------------------------------------------------


def tears(count: int, samples: int) -> dict[str, int]:
    """How many tears of each kind a write of so many bytes has, by the definition of the kinds."""
    parts = dict.fromkeys(("prefix", "suffix", "erased prefix"), count - 1)
    return dict.fromkeys(COLUMNS, 0) | {
        **dict.fromkeys(("old", "new", "erased", "zeros", "and", "or"), 1), **parts,
        **dict.fromkeys(("mix", "noise"), samples)}


def test_every_tear_of_every_write_is_tried(explorer: Explorer) -> None:
    """A commit of two pages of 8 bytes, cut once: the counts are those of the definition."""
    totals = explorer.run(ExploreJob(Start(), 1, 1, (SETTINGS,), samples=5))
    expected = {name: 2 * n for name, n in tears(8, 5).items()}
    assert expected == dict(zip(COLUMNS, totals.histories.rows[1], strict=True))
    # The uncut commit ends with a boot as well.
    assert (1, 1 + sum(expected.values())) == (sum(totals.histories.rows[0]),
                                               totals.histories.total)
    assert totals.boots == totals.torn + 1


def test_nested_cuts_are_all_pairs(explorer: Explorer) -> None:
    """Two commits, cut twice: every tear of the first with every tear of the second."""
    totals = explorer.run(ExploreJob(Start(), 2, 2, (SETTINGS,), samples=3))
    tried = 2 * sum(tears(8, 3).values())
    assert tried * tried == sum(totals.histories.rows[2])
    # Cut in the first and a boot; in the first and a boot at the end; in the second.
    assert 3 * tried == sum(totals.histories.rows[1])
    assert totals.boots < totals.histories.total


def test_equal_states_count_as_often_as_they_are_reached(explorer: Explorer) -> None:
    """Merging changes how many boots are run, not how many histories they stand for."""
    plan = example_plan("minimal")
    job = ExploreJob(Start(rounds=3), 3, 2, ALL[:2] + ALL[3:], samples=2)
    folder = fresh_folder()
    sources = write_harness(plan, explorer.pictures, folder, memo=0)
    library = host_compilers()[0].library(sources, folder / "cuts", ("-O2",))
    plain = Explorer(plan, explorer.pictures, NativeTarget(library.resolve())).run(job)
    merged = explorer.run(job)
    assert plain.histories == merged.histories
    assert plain.boots > merged.boots


def test_shares_add_up(explorer: Explorer) -> None:
    """The parts of a job shared out are the whole; fewer states are met twice in one part."""
    whole = ExploreJob(Start(rounds=4), 2, 2, ALL, samples=4)
    parts = Totals.sum(explorer.run(replace(whole, prefix=(first,), shares=3, share=share))
                       for first in ALL for share in range(3))
    totals = explorer.run(whole)
    assert totals.histories == parts.histories
    assert totals.torn <= parts.torn


def test_the_same_every_time(explorer: Explorer) -> None:
    """A job and its seed fix everything."""
    job = ExploreJob(Start(rounds=1), 2, 1, ALL, samples=8)
    assert explorer.run(job) == explorer.run(job)


def test_seeds() -> None:
    """Another seed gives other random tears; seen where nothing hides what a torn page holds."""
    explorer = broken_harness("minimal", *NO_CRC).explorer()
    job = ExploreJob(Start(), 1, 1, (SETTINGS,), samples=8)
    seeds = [{step.cut.tear.seed for v in explorer.run(replace(job, seed=seed)).violations
              for step in v.history.steps if step.cut} for seed in (1, 1, 2)]
    assert seeds[0] == seeds[1] != set()
    assert seeds[0].isdisjoint(seeds[2])


def test_tallies_add_up() -> None:
    """Totals of nothing are nothing; sums add counts and keep the longest calls."""
    assert 0 == Tally().total == Totals.sum(()).boots
    a = Totals(boots=2, mount_bits=7, commit_bits=(1, 9))
    b = Totals(boots=3, mount_bits=5, commit_bits=(4, 2))
    assert Totals(boots=5, mount_bits=7, commit_bits=(4, 9)) == a + b


# ---- Judging -------------------------------------------------------------------------------------


def test_calls_keep_their_bounds(explorer: Explorer) -> None:
    """The longest calls seen are within what the plan says; commits take exactly it."""
    totals = explorer.run(ExploreJob(Start(rounds=2), 2, 2, ALL, samples=4))
    limits = limits_of(explorer.plan)
    assert totals.mount_bits <= limits.mount_bits
    assert totals.format_bits <= limits.format_bits
    assert limits.commit_bits == totals.commit_bits


def test_a_call_that_takes_too_long_is_seen(explorer: Explorer) -> None:
    """A bound one bit too low is broken, and said to be."""
    limits = limits_of(explorer.plan)
    try:
        explorer.set_limits(replace(limits, commit_bits=(limits.commit_bits[0] - 1,)))
        found = explorer.run(ExploreJob(Start(), 1, 0, (SETTINGS,))).violations
    finally:
        explorer.set_limits(limits)
    assert [(Verdict.LONG, 0)] == [(v.verdict, v.group) for v in found]
    assert found[0].found == limits.commit_bits[0]


def broken(old: str, new: str, verdict: Verdict) -> None:
    """A runtime broken on purpose is found out; one operation and one cut are enough to show it, on
    the byte-level simulator too, where the second oracle sees it as well."""
    built = broken_harness("minimal", old, new)
    explorer = built.explorer()
    found = explorer.run(ExploreJob(Start(), 2, 1, ALL[:2] + ALL[3:], samples=4)).violations
    first = next(v for v in found if v.verdict is verdict)
    assert verdict is explorer.replay(first.history)[0]
    small = shrink(first.history, lambda history: explorer.replay(history)[0] is verdict)
    assert (2, 1, Start()) == (len(small.steps), small.cuts, small.start)
    read = parse_history(built.plan, history_text(built.plan, small))
    assert verdict is explorer.replay(read)[0]
    folder = write_store(fresh_folder(), built.plan)
    write(folder, {**broken_runtime(old, new), "rig.c": shim_text(built.plan)})
    library = find_compiler().library(sorted(folder.glob("*.c")), folder / "rig")
    rig = NativeRig(NativeCode(built.plan, library.resolve()), bench(built.plan))
    assert play(rig, built.pictures, read).wrong


def test_records_that_count_without_their_crc() -> None:
    """I1: what a torn page holds is served."""
    broken(*NO_CRC, Verdict.MIXED)


def test_a_commit_over_the_newest_record() -> None:
    """I5: the only record is torn."""
    broken("return (unsigned)((sequence - 1u) % store->group->slots);",
           "return (unsigned)((sequence - 1u) % 1u) + 0u * store->group->slots;", Verdict.EMPTY)
