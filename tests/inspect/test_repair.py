"""Small errors are found bit by bit, and other stores by their id."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.checksum import crc32c
from paramstore.inspect.damage import store_id_of
from paramstore.inspect.repair import Bit, find_repair
from paramstore.record import build_record, encode_body
from tests.inspect.scenes import PLAN
from tests.record.plans import EXAMPLE

LIMITS = EXAMPLE.rings[0]
RECORD = build_record(EXAMPLE, LIMITS, 4, encode_body(LIMITS, {}))


def flipped(data: bytes, *numbers: int) -> bytes:
    changed = bytearray(data)
    for number in numbers:
        changed[number // 8] ^= 1 << number % 8
    return bytes(changed)


def test_every_error_of_one_or_two_bits_is_found() -> None:
    """All bits of a record, and all pairs of them, come back as the ones that were changed."""
    count = 8 * len(RECORD)
    for numbers in (*combinations(range(count), 1), *combinations(range(count), 2)):
        repair = find_repair(EXAMPLE, LIMITS, flipped(RECORD, *numbers))
        assert repair is not None and RECORD == repair.data
        assert tuple(Bit(n // 8, n % 8) for n in numbers) == repair.bits


@given(st.sets(st.integers(0, 8 * len(RECORD) - 1), min_size=3, max_size=3))
def test_three_bits_are_never_taken_for_fewer(numbers: set[int]) -> None:
    """An error of three bits has no repair of one or two: their distance is 6 (`checksum`)."""
    assert find_repair(EXAMPLE, LIMITS, flipped(RECORD, *numbers)) is None


def test_a_whole_record_needs_no_repair() -> None:
    """There is nothing to offer where nothing is wrong."""
    assert find_repair(EXAMPLE, LIMITS, RECORD) is None


@given(st.integers(0, 0xFFFFFFFF), st.integers(1, 255), st.binary(min_size=1, max_size=60))
def test_the_store_id_follows_from_a_record(store_id: int, group: int, front: bytes) -> None:
    """Running the CRC backwards gives the id that went into it."""
    lead = store_id.to_bytes(4, "little") + bytes([group])
    record = front + crc32c(lead + front).to_bytes(4, "little")
    assert store_id == store_id_of(record, group)


def test_our_own_records_give_our_own_id() -> None:
    """The id of a record of a store is that of the store."""
    ring = PLAN.ring("settings")
    record = build_record(PLAN, ring, 7, encode_body(ring, {}))
    assert PLAN.store_id == store_id_of(record, ring.group.id)
