"""The past of a group: commits that can still be read, numbers that are missing, wear."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.image.contents import unpack
from paramstore.inspect.history import Wear, history_of, wear_of
from paramstore.layout.plan import Plan
from paramstore.record import build_record, encode_body, labelled_image
from tests.inspect.scenes import PLAN, used_unit

RING = PLAN.ring("settings")
TWO = PLAN.ring("identity")


def image_of(records: dict[int, int]) -> bytes:
    """A part on which settings have these records: intervals by sequence number, each in the slot
    of its number."""
    image = labelled_image(PLAN)
    for sequence, interval in records.items():
        at = RING.address((sequence - 1) % RING.slots)
        body = encode_body(RING, {"interval": (interval,)})
        image[at:at + RING.record_bytes] = build_record(PLAN, RING, sequence, body)
    return bytes(image)


@given(st.lists(st.integers(1, 40), min_size=1, max_size=4, unique_by=lambda n: n % 4),
       st.data())
@settings(max_examples=40)
def test_commits_and_what_is_missing(numbers: list[int], data: st.DataObject) -> None:
    """In the order of their numbers, each with what it changed against the one before it in the
    list; the numbers between them that no slot holds."""
    records = {n: data.draw(st.integers(1, 3)) for n in sorted(numbers)}
    history = history_of(PLAN, unpack(PLAN, image_of(records)).group("settings"))
    assert [((n,), (interval,)) for n, interval in records.items()] == [
        (c.sequences, c.values["interval"]) for c in history.commits]
    steps = [None, *records.values()]
    assert [[] if a in (None, b) else [((a,), (b,))]
            for a, b in zip(steps, records.values(), strict=False)] == [
        [(change.before["interval"], change.after["interval"]) for change in c.changes]
        for c in history.commits]
    absent = set(range(min(records), max(records))) - records.keys()
    assert absent == {n for first, last in history.missing for n in range(first, last + 1)}
    assert all(first <= last for first, last in history.missing)
    assert () == history.twice


@pytest.mark.parametrize("commits", [1, 2, 3])
def test_copies_are_one_commit(commits: int) -> None:
    """Of as many as the group keeps, one behind the other with the same body."""
    image = bytes(used_unit("identity", commits, random.Random(commits)).bench.device.memory)
    history = history_of(PLAN, unpack(PLAN, image).group("identity"))
    numbers = [n for commit in history.commits for n in commit.sequences]
    assert numbers == list(range(numbers[0], 2 * commits + 1))
    assert (2 * commits - 1, 2 * commits) == history.commits[-1].sequences
    assert all(commit.changes for commit in history.commits[1:])


def test_equal_commits_of_one_copy_are_two() -> None:
    """A group without copies stored the same twice."""
    history = history_of(PLAN, unpack(PLAN, image_of({5: 7, 6: 7})).group("settings"))
    assert [(5,), (6,)] == [c.sequences for c in history.commits]
    assert [(), ()] == [c.changes for c in history.commits]


@pytest.mark.parametrize(("sequence", "writes"), [(0, 0), (1, 1), (4, 1), (5, 2), (8, 2), (9, 3)])
def test_each_slot_is_written_in_its_turn(sequence: int, writes: int) -> None:
    """The one written most often has as many writes as the ring has turns, begun ones counted."""
    contents = unpack(PLAN, image_of({sequence: 1} if sequence else {}))
    wear = wear_of(contents, contents.group("settings"))
    assert (sequence, writes) == (wear.sequence, wear.writes)
    assert wear.used == writes / wear.endurance


def test_years_left_follow_from_the_writes_of_the_schema() -> None:
    """10 a day in 4 slots: what the endurance leaves of them."""
    contents = unpack(PLAN, image_of({400_000: 1}))
    wear = wear_of(contents, contents.group("settings"))
    assert 4_000_000 == 4 * wear.endurance  # a million cycles at 25 degC, by the catalogue
    assert math.isclose((4_000_000 - 400_000) / 10 / 365.25, wear.years_left, rel_tol=1e-3)
    two = wear_of(contents, contents.group("identity"))
    assert math.isclose(TWO.slots * two.endurance / (4 / 365.25 / PLAN.schema.life_years * 2)
                        / 365.25, two.years_left, rel_tol=1e-2)


def test_a_ring_beyond_its_end_has_no_years_left() -> None:
    """Not less than none; and one that is never written lasts."""
    contents = unpack(PLAN, image_of({4_000_001: 1}))
    assert 0 == wear_of(contents, contents.group("settings")).years_left
    still = _never_written(PLAN)
    contents = unpack(still, image_of({}))
    assert math.inf == wear_of(contents, contents.group("settings")).years_left
    assert 0.5 == Wear(1, 50, 100, 1.0).used


def _never_written(plan: Plan) -> Plan:
    groups = tuple(replace(g, writes_per_day=0.0) for g in plan.schema.groups)
    rings = tuple(replace(r, group=g) for r, g in zip(plan.rings, groups, strict=True))
    return replace(plan, rings=rings, schema=replace(plan.schema, groups=groups))
