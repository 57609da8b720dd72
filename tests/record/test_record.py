"""Records prove that they are whole, and where they belong."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.checksum import crc32c
from paramstore.layout.plan import Plan, Reserved
from paramstore.record import (
    CodecError,
    Record,
    RecordState,
    build_record,
    crc_start,
    encode_body,
    labelled_image,
    lay_records,
    newest_of,
    next_body,
    next_record,
    read_record,
    sequence_of,
    split_record,
)
from tests.independent_decoder import decode_record
from tests.record.plans import EXAMPLE, layout_object, plans_with_values

LIMITS, USER = EXAMPLE.rings
BODY = encode_body(LIMITS, {})


@given(plans_with_values(), st.integers(1, 0xCFFFFFFF), st.integers(1, 255))
@settings(max_examples=60)
def test_round_trip(case: tuple[Plan, Any], sequence: int, revision: int) -> None:
    """A record is valid in the one slot of its number and gives back what went in."""
    plan, values = case
    for ring in plan.rings:
        body = encode_body(ring, values[ring.group.name])
        data = build_record(plan, ring, sequence, body, revision)
        assert ring.record_bytes == len(data)
        states = [read_record(plan, ring, slot, data).state for slot in range(ring.slots)]
        expected = [RecordState.MISPLACED] * ring.slots
        expected[(sequence - 1) % ring.slots] = RecordState.VALID
        assert expected == states
        record = read_record(plan, ring, (sequence - 1) % ring.slots, data + b"more")
        assert (sequence, revision, body) == (record.sequence, record.revision, record.body)


@given(plans_with_values(), st.integers(1, 0xCFFFFFFF))
@settings(max_examples=40)
def test_the_independent_decoder_agrees(case: tuple[Plan, Any], sequence: int) -> None:
    """A record means the same to a decoder that shares no code."""
    plan, values = case
    layout = {r["group"]: r for r in layout_object(plan)["rings"]}
    for ring in plan.rings:
        body = encode_body(ring, values[ring.group.name])
        data = build_record(plan, ring, sequence, body)
        slot = (sequence - 1) % ring.slots
        assert (sequence, 1, body) == decode_record(
            data, slot, layout[ring.group.id], plan.schema.name)


def test_every_pair_of_changed_bits_is_seen() -> None:
    """No record with one or two bits changed is valid (Hamming distance 6 at this length)."""
    data = build_record(EXAMPLE, LIMITS, 1, BODY)
    number = int.from_bytes(data, "little")
    bits = range(8 * len(data))
    for i in bits:
        for j in bits[i:]:
            changed = (number ^ (1 << i | 1 << j)).to_bytes(len(data), "little")
            assert not read_record(EXAMPLE, LIMITS, 0, changed).valid


def test_a_record_of_another_store_or_group_fails() -> None:
    """Store and group lead the CRC, so a record in the wrong place is no record."""
    data = build_record(EXAMPLE, LIMITS, 1, BODY)
    other_store = replace(EXAMPLE, store_id=EXAMPLE.store_id ^ 1)
    other_group = replace(LIMITS, group=replace(LIMITS.group, id=2))
    assert RecordState.BAD_CRC == read_record(other_store, LIMITS, 0, data).state
    assert RecordState.BAD_CRC == read_record(EXAMPLE, other_group, 0, data).state


@pytest.mark.parametrize("sequence", [0, 0xD0000000, 0xD54C5350, 0xFFFFFFFE, 0xFFFFFFFF])
def test_what_is_no_sequence_number_makes_no_record(sequence: int) -> None:
    """They do not count, even under a right CRC; for a stranger's decoder neither."""
    data = build_record(EXAMPLE, LIMITS, sequence, BODY)
    states = {read_record(EXAMPLE, LIMITS, slot, data).state for slot in range(3)}
    assert {RecordState.NO_NUMBER} == states
    ring = next(r for r in layout_object(EXAMPLE)["rings"] if r["group"] == LIMITS.group.id)
    assert {None} == {decode_record(data, slot, ring, EXAMPLE.schema.name) for slot in range(3)}


def test_states_of_what_is_no_record() -> None:
    """Erased, cut off, and torn bytes each have their own state."""
    size = LIMITS.record_bytes
    data = build_record(EXAMPLE, LIMITS, 1, BODY)
    assert RecordState.ERASED == read_record(EXAMPLE, LIMITS, 0, b"\xff" * size).state
    assert Record(0, 0, b"", RecordState.SHORT) == read_record(
        EXAMPLE, LIMITS, 0, b"\xff" * (size - 1))
    assert RecordState.BAD_CRC == read_record(EXAMPLE, LIMITS, 0, bytes(size)).state
    assert RecordState.BAD_CRC == read_record(EXAMPLE, LIMITS, 0, data[:16] + b"\xff" * 10).state


@given(st.binary(max_size=40), st.integers(0, 2))
def test_arbitrary_bytes_never_raise(data: bytes, slot: int) -> None:
    """Reading any bytes gives a state."""
    assert read_record(EXAMPLE, LIMITS, slot, data).state in RecordState


@pytest.mark.parametrize(("sequence", "body", "revision", "field"), [
    (1 << 32, BODY, 1, "sequence"), (-1, BODY, 1, "sequence"), (1, BODY[1:], 1, "body"),
    (1, BODY, 256, "revision"),
])
def test_parts_that_do_not_fit_are_refused(
    sequence: int, body: bytes, revision: int, field: str
) -> None:
    """A record that cannot be written is an error with the name of the part."""
    with pytest.raises(CodecError) as caught:
        build_record(EXAMPLE, LIMITS, sequence, body, revision)
    assert field == caught.value.field


def test_a_body_that_is_too_long_is_refused() -> None:
    """A body never runs into the CRC."""
    with pytest.raises(CodecError):
        build_record(EXAMPLE, LIMITS, 1, BODY + b"\0")


def test_the_crc_covers_store_group_and_record() -> None:
    """The CRC is that of FORMAT.md section 3, computed here by hand."""
    data = build_record(EXAMPLE, USER, 1, encode_body(USER, {}))
    lead = crc32c(b"pump_drive").to_bytes(4, "little") + b"\x07"
    assert crc32c(lead + data[:-4]).to_bytes(4, "little") == data[-4:]


def test_the_register_before_a_record_is_that_of_store_and_group() -> None:
    """The tables of firmware begin a CRC where the record does: with the complement of the CRC over
    store id and group id (a CRC-32C ends with an exclusive or of FFFFFFFF)."""
    lead = crc32c(b"pump_drive").to_bytes(4, "little") + b"\x07"
    assert crc32c(lead) == crc_start(EXAMPLE, USER) ^ 0xFFFFFFFF


@given(st.binary(min_size=40, max_size=40), st.binary(min_size=40, max_size=40),
       st.integers(1, 9))
def test_what_a_ring_does_not_know_is_kept(body: bytes, newest: bytes, revision: int) -> None:
    """FORMAT.md, 9: bytes of what was taken out stay as the newest record has them, as soon as that
    holds them; bytes behind the payload only if that is of a later revision."""
    ring = replace(LIMITS, revision=4, body_bytes=40, reserved=(
        Reserved("early", 15, bytes(3)), Reserved("late", 18, bytes(2), since=3)))
    kept = next_body(ring, body, revision, newest)
    assert ring.payload_bytes == 20
    expected = body[:15] + newest[15:18] + (newest if revision >= 3 else body)[18:20]
    assert expected + (newest if revision > 4 else body)[20:] == kept


@pytest.mark.parametrize(("newest", "revision"), [(0, 4), (3, 4), (5, 5)])
def test_the_next_record_is_of_the_later_revision(newest: int, revision: int) -> None:
    """Values come from those that are given, the revision from whoever knows more."""
    ring = replace(LIMITS, revision=4)
    record = Record(7, newest, BODY, RecordState.VALID) if newest else None
    values = {"current": (1200,)}
    assert (encode_body(ring, values), revision) == next_record(ring, values, record)


def test_copies_lie_behind_the_newest_record() -> None:
    """A commit goes on in the next slot, round the ring, and changes nothing else."""
    image = labelled_image(EXAMPLE)
    before = bytes(image)
    lay_records(image, EXAMPLE, LIMITS, BODY, 1, newest=2)
    states = [read_record(EXAMPLE, LIMITS, s, image[LIMITS.address(s):]) for s in range(3)]
    assert [4, None, 3] == [r.sequence if r.valid else None for r in states]
    assert newest_of(EXAMPLE, LIMITS, image) == states[0]
    for sequence in (3, 4):
        at = LIMITS.address((sequence - 1) % 3)
        image[at:at + LIMITS.record_bytes] = before[at:at + LIMITS.record_bytes]
    assert before == image
    assert newest_of(EXAMPLE, LIMITS, before) is None
    lay_records(image, EXAMPLE, LIMITS, BODY, 1)
    first = newest_of(EXAMPLE, LIMITS, image)
    assert first is not None and 2 == first.sequence


@given(st.binary(min_size=LIMITS.record_bytes, max_size=LIMITS.record_bytes))
def test_parts_of_any_bytes(data: bytes) -> None:
    """Number, revision, body and CRC lie where FORMAT.md, 3 has them, counted here by hand."""
    parts = split_record(data)
    assert parts == (int.from_bytes(data[:4], "little"), data[4], data[5:-4],
                     int.from_bytes(data[-4:], "little"))
    assert sequence_of(data) == sequence_of(data[:4]) == parts.sequence
