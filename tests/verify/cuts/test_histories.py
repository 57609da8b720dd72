"""Histories with weak cells: nothing is ever lost without them, and what they do is seen."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.errors import ToolError
from paramstore.verify.cuts.histories import (
    STEADY,
    Counts,
    Setting,
    Weakness,
    build_lives,
    measure,
    one_group_plan,
    run_histories,
)
from tests.firmware.builds import example_plan
from tests.verify.cuts.harnesses import NO_CRC, broken_runtime

ONE_BIT = Weakness(bits=1)
EVERY_BOOT = 256  # is cut
WRONG = ("lost", "back", "returned", "empty", "mixed", "failed")
RINGS = [(3, 1, 19), (4, 1, 51), (3, 2, 19), (6, 2, 51)]


@pytest.fixture(scope="module")
def three_slots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The library of a ring of three slots without copies."""
    return build_lives(one_group_plan(3, 1), tmp_path_factory.mktemp("three"))


def wrong(counts: Counts) -> dict[str, int]:
    """What happened that should not."""
    return {name: getattr(counts, name) for name in WRONG if getattr(counts, name) > 0}


@pytest.mark.parametrize(("slots", "copies", "rest"), RINGS)
def test_nothing_is_lost_if_cells_read_the_same_every_time(slots: int, copies: int, rest: int,
                                                           tmp_path: Path) -> None:
    """However a cut tears the page, and though every boot is cut: all counts are zero."""
    library = build_lives(one_group_plan(slots, copies, rest=rest), tmp_path)
    for settle in (False, True):
        counts = run_histories(library, Setting(slots, copies, settle, STEADY), 5000,
                               cut_chance=EVERY_BOOT)
        assert {} == wrong(counts)
        assert 6 * 5000 < counts.cuts < counts.boots


def test_weak_cells_set_boots_back_and_settling_prevents_it(three_slots: Path) -> None:
    """A record that reads once and not the next time: seen without settling, never with it."""
    used_at_once, settled = (
        run_histories(three_slots, Setting(3, 1, settle, ONE_BIT), 10_000)
        for settle in (False, True))
    assert used_at_once.back > 50
    assert (0, 0, 0) == (settled.back, settled.mixed, settled.failed)
    assert (0, 0) == (used_at_once.mixed, used_at_once.failed)


def test_more_slots_lose_less(three_slots: Path, tmp_path: Path) -> None:
    """A ring is lost only if cuts without a complete commit in between go all the way round it."""
    six_slots = build_lives(one_group_plan(6, 1), tmp_path)
    few, many = (
        run_histories(library, Setting(slots, 1, False, ONE_BIT), 20_000, cut_chance=EVERY_BOOT)
        for library, slots in ((three_slots, 3), (six_slots, 6)))
    assert few.lost > 10
    assert few.lost > 10 * many.lost


def test_a_history_is_made_by_seed_and_number(three_slots: Path) -> None:
    """Pieces add up to the whole; another seed gives other histories."""
    setting = Setting(3, 1, False, ONE_BIT)
    whole = run_histories(three_slots, setting, 3000, seed=7)
    pieces = (run_histories(three_slots, setting, 1000, first=first, seed=7)
              for first in (0, 1000, 2000))
    assert whole == sum(pieces, Counts())
    assert whole != run_histories(three_slots, setting, 3000, seed=8)


def test_counts_do_not_depend_on_the_number_of_processes() -> None:
    """One worker or two: the same counts, and the callback hears of the end."""
    setting = Setting(3, 1, True, ONE_BIT)
    told: list[float] = []
    one, two = (measure(21_000, settings=[setting], workers=workers, progress=told.append)
                for workers in (1, 2))
    assert one == two
    assert 21_000 == one[setting].histories
    assert [0.5, 1.0, 0.5, 1.0] == told


@pytest.mark.parametrize(("old", "new", "kinds"), [
    (*NO_CRC, {"mixed"}),
    ("->sequence + 1u + store->skipped;", "->sequence + 3u;",  # over the newest of three slots
     {"lost", "empty"}),
])
def test_a_broken_runtime_is_noticed(old: str, new: str, kinds: set[str], tmp_path: Path) -> None:
    """Without weak cells a count that is not zero is a mistake of the store, and is seen."""
    library = build_lives(one_group_plan(3, 1), tmp_path, runtime=broken_runtime(old, new))
    assert kinds <= set(wrong(run_histories(library, Setting(3, 1, False, STEADY), 500)))


def test_values_must_be_able_to_tell_a_version(tmp_path: Path) -> None:
    """Limits would turn a version into another one or into a default: refused."""
    with pytest.raises(ToolError, match="has limits"):
        build_lives(example_plan("tank_probe"), tmp_path)


def test_counts_are_told_per_million() -> None:
    """Three of 2000 histories are 1500 of a million."""
    assert 1500.0 == Counts(histories=2000, lost=3).per_million("lost")


def test_weakness_is_named_by_bits_or_share() -> None:
    """As the tables show it."""
    assert ["0", "2", "1/16"] == [w.name for w in (STEADY, Weakness(bits=2), Weakness(share=16))]
