"""Labels say which store a part holds, and nothing that is not a whole label passes as one."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.layout.plan import Plan
from paramstore.record import (
    Label,
    build_label,
    erasing_label,
    label_places,
    labelled_image,
    read_label,
    release_bytes,
)
from paramstore.record.label import cut_utf8
from tests.independent_decoder import decode_label
from tests.record.plans import EXAMPLE, part, plans


@given(plans())
@settings(max_examples=60)
def test_round_trip(plan: Plan) -> None:
    """A label says what its plan says, on any page size, whatever follows it."""
    data = build_label(plan)
    label = read_label(data + b"anything")
    assert plan.label_bytes == len(data)
    assert label is not None
    assert (1, plan.part.page, plan.part.capacity, 0, plan.store_id, plan.layout_id) == (
        label.version, label.page, label.capacity, label.release, label.store_id, label.layout_id)
    assert plan.schema.name.startswith(label.name)


@given(plans(), st.integers(0, 4095), st.integers(0, 15))
@settings(max_examples=60)
def test_the_independent_decoder_agrees(plan: Plan, release: int, series: int) -> None:
    """A label means the same to a decoder that shares no code."""
    data = build_label(replace(plan, release=release, schema=replace(plan.schema, series=series)))
    label = read_label(data)
    assert label is not None
    assert decode_label(data) == {n: getattr(label, n) for n in Label._fields}


@pytest.mark.parametrize("before", range(7))
def test_a_label_tells_of_the_four_releases_before_it(before: int) -> None:
    """The lowest byte of the layout id of each, the last one first; 0 where there is none."""
    ids = [0xA5B6C700 + 16 * n for n in range(1, before + 1)]
    plan = replace(EXAMPLE, release=before + 1, lineage=tuple(enumerate(ids, 1)))
    label = read_label(build_label(plan))
    assert label is not None
    told = [layout_id % 256 for layout_id in reversed(ids)][:4]
    assert (*told, 0, 0, 0, 0)[:4] == label.lineage
    for release, layout_id in plan.lineage:
        assert label.follows(release, layout_id)
        assert label.follows(release, layout_id ^ 1) == (before + 1 - release > 4)


def test_every_changed_bit_is_seen() -> None:
    """No label with one bit changed is a label."""
    data = build_label(EXAMPLE)
    for bit in range(8 * len(data)):
        changed = bytearray(data)
        changed[bit // 8] ^= 1 << bit % 8
        assert read_label(bytes(changed)) is None


def test_every_cut_is_seen() -> None:
    """No front part of a label is a label."""
    data = build_label(EXAMPLE)
    assert [None] * len(data) == [read_label(data[:n]) for n in range(len(data))]


@given(st.binary(max_size=40).map(lambda tail: b"PSL\xd5" + tail))
def test_arbitrary_bytes_are_no_label(data: bytes) -> None:
    """Bytes behind a right magic are read without an error, and alike by both decoders."""
    assert (read_label(data) is None) == (decode_label(data) is None)


@pytest.mark.parametrize(("size", "expected"), [
    (5, "aé"), (4, "aé"), (3, "aé"), (2, "a"), (1, "a"), (0, ""),
])
def test_names_are_cut_between_characters(size: int, expected: str) -> None:
    """A name that is too long loses whole characters."""
    assert expected == cut_utf8("aé€", size).decode()


def test_a_long_name_is_cut_to_the_room_of_the_page_size() -> None:
    """8 bytes of the name are kept, none on parts with 8-byte pages."""
    names = []
    for page in (8, 16):
        schema = replace(EXAMPLE.schema, name="a_very_long_name", part=part(1024, page))
        label = read_label(build_label(replace(EXAMPLE, schema=schema)))
        names.append(label and label.name)
    assert ["", "a_very_l"] == names


def test_parts_lie_where_the_page_says() -> None:
    """The offsets of FORMAT.md, 2, written here by hand; the twin, the tables of firmware and the
    byte view read them from one table."""
    starts = {name: place.start for name, place in label_places(16).items()}
    assert {"magic": 0, "version": 4, "geometry": 5, "release": 6, "store_id": 8, "layout_id": 12,
            "lineage": 16, "name": 20, "crc": 28} == starts


def test_a_label_of_no_store_names_none() -> None:
    """While a part is being erased its label is whole, and that of store 0."""
    label = read_label(erasing_label(EXAMPLE))
    assert label is not None and label.store_id == 0
    assert label._replace(store_id=EXAMPLE.store_id) == read_label(build_label(EXAMPLE))


@given(plans(), st.integers(1, 4095), st.integers(0, 0xFFFFFFFF))
@settings(max_examples=20)
def test_what_an_earlier_release_says_of_itself(plan: Plan, release: int, layout: int) -> None:
    """The tables of firmware hold 10 bytes of each earlier label: release, store and layout."""
    assert release_bytes(plan, release, layout) == build_label(
        replace(plan, release=release, layout_id=layout))[6:16]


@pytest.mark.parametrize(("release", "layout_id", "follows"), [
    (8, 0x99999911, True), (8, 0x11, True), (8, 0x12, False), (7, 0x22, True), (7, 0x11, False),
    (5, 0x44, True), (5, 0x43, False), (4, 0x00, True), (1, 0x77, True)])
def test_a_label_tells_of_four_releases_before(release: int, layout_id: int,
                                               follows: bool) -> None:
    """By the lowest byte of the layout id of each; of earlier ones it tells nothing."""
    label = Label(1, 32, 4096, 9, 1, 7, 0x55, (0x11, 0x22, 0x33, 0x44), "x")
    assert follows is label.follows(release, layout_id)


def test_a_store_is_called_by_its_name() -> None:
    """Or by its id, where labels have no room for a name."""
    label = Label(1, 8, 128, 0, 0, 0xABC, 1, (0, 0, 0, 0), "")
    assert ("0x00000ABC", "pump") == (label.called, label._replace(name="pump").called)


def test_both_copies_stand_at_the_beginning() -> None:
    """Each on pages of its own, from page 0 on; nothing else is written."""
    image = labelled_image(EXAMPLE)
    label, page = build_label(EXAMPLE), EXAMPLE.part.page
    second = -(-len(label) // page) * page
    assert (label, label) == (image[:len(label)], image[second:second + len(label)])
    rest = image[len(label):second] + image[second + len(label):]
    assert EXAMPLE.part.capacity == len(image) and set(rest) == {0xFF}
