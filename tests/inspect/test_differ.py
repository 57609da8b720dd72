"""What differs between two dumps: every byte once, with what it belongs to, and no value else."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import SourceText, ToolError
from paramstore.files.forms import FORMS, Dump, read_dump
from paramstore.image.pack import pack
from paramstore.inspect.differ import (
    ByteOwner,
    byte_differences,
    differences,
    given_values,
    value_differences,
)
from paramstore.inspect.examination import Absence, StoredValue
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.which import Candidate
from paramstore.layout.plan import Plan
from tests.inspect.scenes import PLAN as OTHER
from tests.record.plans import EXAMPLE

IMAGE = pack(EXAMPLE, {}, defaults=True)
SIZE = len(IMAGE)
LIMITS, USER = EXAMPLE.rings
GROUPS = EXAMPLE.schema.groups


def examined(image: bytes, plan: Plan = EXAMPLE) -> StoreExamination:
    """A dump, read."""
    return examine_store(read_dump(image, "a.bin", FORMS["bin"]), [Candidate("a", plan)])


WHOLE = examined(IMAGE)
CHANGES = st.lists(st.tuples(st.integers(0, SIZE - 1), st.binary(min_size=1, max_size=300)),
                   max_size=3)


@given(CHANGES, st.lists(st.integers(0, SIZE), max_size=4, unique=True), st.integers(0, SIZE))
def test_every_byte_that_differs_is_told_once(changes: list[tuple[int, bytes]], ends: list[int],
                                              size: int) -> None:
    """In order of addresses; ranges of one owner are as long as they can be; a byte that one side
    does not have differs from any."""
    image = bytearray(IMAGE)
    for at, data in changes:
        image[at:at + len(data)] = data
    other = bytes(image[:SIZE])[:size]
    ends = sorted(min(end, size) for end in ends[:len(ends) // 2 * 2])
    gaps = tuple(zip(ends[::2], ends[1::2], strict=True))
    lacking = {at for a, b in gaps for at in range(a, b)} | set(range(size, SIZE))
    after = replace(WHOLE, dump=Dump(other, gaps))
    found = byte_differences(WHOLE, after)
    told = {}
    for each in found:
        length = max(len(each.before), len(each.after))
        assert (len(each.before), len(each.after)) in ((length, length), (length, 0))
        for n in range(length):
            assert each.address + n not in told
            told[each.address + n] = each.before[n], each.after[n:n + 1]
    assert told == {at: (IMAGE[at], b"" if at in lacking else other[at:at + 1])
                    for at in range(SIZE) if at in lacking or other[at] != IMAGE[at]}
    for one, two in pairwise(found):
        end = one.address + len(one.before)
        assert end <= two.address
        assert end < two.address or (one.owner, not one.after) != (two.owner, not two.after)
    assert [(r.address, r.owner, r.after, r.before) for r in found] == [
        tuple(r) for r in byte_differences(after, WHOLE)]


def test_a_byte_is_of_what_has_it() -> None:
    """Label, slot and parameter; free bytes are of nothing."""
    image = bytearray(IMAGE)
    current = LIMITS.address(1) + 5
    for at in (4, current, current + 2, USER.address(0), SIZE - 1):
        image[at] ^= 1
    owners = {r.address: r.owner for r in byte_differences(WHOLE, examined(bytes(image)))}
    assert {4, current, current + 2, USER.address(0), SIZE - 1} == owners.keys()
    assert (("current",), ("gain",)) == (
        owners[current].names, owners[current + 2].names)
    assert "slot 1" in owners[current].area
    assert owners[current].area == owners[current + 2].area != owners[USER.address(0)].area
    assert ByteOwner("", ("a free page",)) == owners[SIZE - 1]


def test_values_that_differ_are_told_in_the_order_of_the_schema() -> None:
    """Of what both sides tell; every NaN is like every other one."""
    one = given_values(GROUPS, {"user": {"low": (1,), "high": (9,)}, "limits": {
        "current": (5,), "gain": (math.nan,), "flow.x": (1, 2, 3)}})
    two = given_values(GROUPS, {"user": {"low": (2,), "high": (9,), "name": (0,) * 6}, "limits": {
        "current": (6,), "gain": (math.nan,)}})
    assert {("user", "low"), ("user", "high"), ("limits", "current"), ("limits", "gain")
            } == one.keys()
    found = value_differences(GROUPS, one, two)
    assert [("limits", "current"), ("user", "low")] == [
        (d.group.name, d.parameter.name) for d in found]
    assert (StoredValue({"current": (5,)}), StoredValue({"current": (6,)})) == (
        found[0].before, found[0].after)
    none = given_values(GROUPS, {"limits": {"gain": (1.0,)}}, without=["user"])
    assert {("limits", "gain"), *((("user", p.name)) for p in GROUPS[1].parameters)} == none.keys()
    assert {Absence.NO_RECORD} == {v.raws for key, v in none.items() if key[0] == "user"}


def test_a_dump_is_compared_with_a_dump_or_with_values() -> None:
    """With values only by parameter; two layouts have nothing to compare."""
    changed = examined(pack(EXAMPLE, {"user": {"low": (-9,)}}, defaults=True))
    values, ranges = differences(WHOLE, changed)
    assert ["low"] == [d.parameter.name for d in values]
    assert [("low",), ("CRC of the record",)] == [r.owner.names for r in ranges]
    values, ranges = differences(WHOLE, SourceText("v.toml", "[user]\nlow = 18.5\nhigh = 23\n"))
    assert (["high"], ()) == ([d.parameter.name for d in values], ranges)
    other = examined(pack(OTHER, {}, defaults=True), plan=OTHER)
    with pytest.raises(ToolError, match="different layouts"):
        differences(WHOLE, other)
