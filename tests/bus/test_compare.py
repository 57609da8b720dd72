"""Whether a part holds what it should: each way in which it may not, told in words."""

from __future__ import annotations

from typing import Any

import pytest

from paramstore.bus.compare import PartComparison, RecordPresence, compare, damage
from paramstore.core.errors import Severity
from paramstore.files.forms import Dump
from paramstore.image.contents import Contents, unpack
from paramstore.image.pack import complete, pack
from tests.production.jobs import plan

PLAN = plan()
VALUES = complete(PLAN, {"trim": {"low": (20,)}, "settings": {"quiet": (1,)}})
IMAGE = pack(PLAN, VALUES)


def part(image: bytes = IMAGE, *lost: str, erased: tuple[str, ...] = ()) -> Contents:
    """A part of which some groups are damaged in each slot that was written, and some erased."""
    data = bytearray(image)
    for name in (*lost, *erased):
        ring = PLAN.ring(name)
        for slot in range(ring.group.copies):
            at = ring.address(slot)
            data[at:at + ring.record_bytes] = (b"\xff" if name in erased else b"\x55"
                                               ) * ring.record_bytes
    return unpack(PLAN, bytes(data))


def test_a_part_as_wanted_is_equal() -> None:
    """In values, and byte by byte with its image."""
    image = unpack(PLAN, IMAGE)
    for found in (compare(part(), VALUES), compare(part(), VALUES, image, exact=True)):
        assert found.equal and "equal" == found.words


@pytest.mark.parametrize(("contents", "wanted", "presence"), [
    (part(IMAGE, "trim"), VALUES, (("trim", RecordPresence.LOST),)),
    (part(IMAGE, erased=("trim",)), VALUES, (("trim", RecordPresence.NONE),)),
    (part(IMAGE, "trim"), {"settings": VALUES["settings"]}, ()),
    (part(), {"trim": {"low": (20,)}}, ())])
def test_a_record_that_is_wanted_must_be_there(
    contents: Contents, wanted: Any, presence: tuple[object, ...]
) -> None:
    """What is not named may be as it is."""
    found = compare(contents, wanted)
    assert presence == found.presence
    assert (presence == ()) is found.equal


def test_a_group_without_a_record_in_the_image_has_none() -> None:
    """On the part one is too much, and a damaged one is lost; where the image was not read, nothing
    is known."""
    bare = pack(PLAN, {"settings": {"quiet": (1,)}, "identity": {"board": (1,)}})
    without = {name: values for name, values in VALUES.items() if name != "trim"}
    image = unpack(PLAN, bare)
    assert (("trim", RecordPresence.EXTRA),) == compare(part(), without, image).presence
    assert (("trim", RecordPresence.LOST),) == compare(
        part(IMAGE, "trim"), without, image).presence
    assert () == compare(part(bare), without, image).presence
    ring = PLAN.ring("trim")
    gap = ring.address(0), ring.address(0) + ring.pages * ring.page_bytes
    unread = unpack(PLAN, Dump(bare, (gap,)).data, gaps=(gap,))
    assert () == compare(part(), without, unread).presence


def test_bytes_are_compared_where_the_image_has_them() -> None:
    """By their addresses, and only if asked for."""
    data = bytearray(IMAGE)
    for at in (3000 % len(data), 2000, 2001):
        data[at] ^= 1
    image = unpack(PLAN, bytes(data), gaps=((2001, 2010),))
    assert () == compare(part(), VALUES, image).bytes_off
    assert tuple(sorted((3000 % len(data), 2000))) == compare(
        part(), VALUES, image, exact=True).bytes_off


@pytest.mark.parametrize(("found", "words"), [
    (PartComparison((), (), (1,)), "differs in 1 byte"),
    (PartComparison((), (), (1, 2)), "differs in 2 bytes"),
    (PartComparison((), (), (), (("a", 1, 2),)), "differs in 1 group with too few copies"),
    (PartComparison((), (("a", RecordPresence.NONE), ("b", RecordPresence.LOST),
                         ("c", RecordPresence.EXTRA), ("d", RecordPresence.EXTRA)), ()),
     "differs in 1 group without a record, 1 lost group, 2 groups that the image has no record of"),
    (PartComparison((), (), ()), "equal")])
def test_the_result_in_words(found: PartComparison, words: str) -> None:
    """Each kind of difference, counted."""
    assert words == found.words
    assert (words == "equal") is found.equal


def test_damage_is_told_as_warnings() -> None:
    """Of a group that is lost, of slots beside a whole record, and not of groups that are whole."""
    assert () == damage(part(), "x")
    (lost,) = damage(part(IMAGE, "trim"), "x")
    assert ("PS965", Severity.WARNING) == (lost.code, lost.severity)
    for slots, words in ((1, "a slot of group `settings` is damaged"),
                         (2, "2 slots of group `settings` are damaged")):
        data, ring = bytearray(IMAGE), PLAN.ring("settings")
        assert ring.slots > 2
        for slot in range(1, 1 + slots):
            data[ring.address(slot):ring.address(slot) + 4] = b"\x55\xaa\x55\xaa"
        (found,) = damage(unpack(PLAN, bytes(data)), "x")
        assert ("PS968", words, Severity.WARNING) == (found.code, found.message, found.severity)
