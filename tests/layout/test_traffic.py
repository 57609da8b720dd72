"""Transfers of a call, and the longest time that they can take (PORTING.md, 7)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.layout.physics import read_bits, write_bits
from paramstore.layout.traffic import Traffic, page_write, reading, total
from paramstore.schema.catalogue import find

PART = find("24LC32A")
assert PART is not None
TRIES = 41
"""At a write time of 5 ms a poll every 0.25 ms, for 10 ms; and one more."""

TRAFFIC = st.builds(Traffic, *[st.integers(0, 1000)] * 4)


def test_transfers_have_their_bits() -> None:
    """Those that write are counted by themselves, too."""
    assert Traffic(read_bits(2, 5), 1, 0, 0) == reading(PART, 5)
    assert Traffic(write_bits(2, 32), 1, write_bits(2, 32), 1) == page_write(PART, 32)


@given(TRAFFIC, TRAFFIC, st.integers(0, 9))
def test_traffic_adds_up(one: Traffic, other: Traffic, times: int) -> None:
    """One after the other, and the same again and again."""
    both = one + other
    for name in ("bits", "transfers", "written_bits", "writes"):
        assert getattr(both, name) == getattr(one, name) + getattr(other, name)
        assert getattr(times * one, name) == times * getattr(one, name)
    assert total([one, other, one]) == one + other + one and total([]) == Traffic()
    assert total([one] * times) == one * times


@pytest.mark.parametrize(("traffic", "refused"), [
    (reading(PART, 5), read_bits(2, 0)), (page_write(PART, 32), write_bits(2, 32)),
    (page_write(PART, 32) + reading(PART, 5), write_bits(2, 32) + read_bits(2, 0))])
@pytest.mark.parametrize("khz", [100, 400])
def test_every_transfer_may_wait_as_long_as_it_is_borne(
    traffic: Traffic, refused: int, khz: int
) -> None:
    """A read is refused in its head, a page write at its last byte: 41 times, 0.25 ms apart."""
    assert (10_000, 250) == (PART.timeout_us, PART.poll_us)
    bits = traffic.bits + TRIES * refused
    waits = TRIES * traffic.transfers * 0.25
    assert pytest.approx(bits / khz + waits) == traffic.longest_ms(PART, khz)


def test_reads_without_a_write_between_them_share_their_time() -> None:
    """Only the first one waits."""
    reads = 7 * reading(PART, 5)
    assert (reads.bits, 1) == (reads.together().bits, reads.together().transfers)
    assert pytest.approx(reading(PART, 5).longest_ms(PART, 100) + 6 * reading(PART, 5).bits / 100
                         ) == reads.together().longest_ms(PART, 100)
