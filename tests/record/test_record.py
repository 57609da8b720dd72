"""Records prove that they are whole, and where they belong."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.checksum import crc32c
from paramstore.layout.plan import Plan
from paramstore.record import CodecError, RecordState, build_record, encode_body, read_record
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
    assert RecordState.SHORT == read_record(EXAMPLE, LIMITS, 0, b"\xff" * (size - 1)).state
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
