"""Numbers of the format against FORMAT.md: the tables of label and record, and its examples."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import paramstore
from paramstore.core import format as numbers

TEXT = (Path(paramstore.__file__).parent / "FORMAT.md").read_text("utf-8")


def test_labels_are_as_long_as_the_table_says() -> None:
    """Its name stands at 20, with 8 bytes or none, and 4 of a CRC follow."""
    rows = re.findall(r"^\| (\d+) \| (\d+) \| (\w+)", TEXT, re.MULTILINE)
    table = [(int(at), int(size)) for at, size, _ in rows][:len(numbers.LABEL_PARTS)]
    at = 0
    for part, row in zip(numbers.LABEL_PARTS, table, strict=True):
        assert (at, part.size) == row
        at += part.size
    assert [(8, 24, 3), (16, 32, 2), (32, 32, 1), (64, 32, 1)] == [
        (page, numbers.label_bytes(page), numbers.label_pages(page)) for page in (8, 16, 32, 64)]


def test_records_begin_with_sequence_and_revision() -> None:
    """4 bytes and 1, and end with 4 of a CRC (FORMAT.md, 3)."""
    section = TEXT.partition("## 3")[2]
    rows = [(int(at), int(size), name) for at, size, name in re.findall(
        r"^\| (\d+) \| (\d+) \| (\w+)", section, re.MULTILINE)]
    assert [(0, 4), (4, 1)] == [(at, size) for at, size, _ in rows[:2]]
    assert [4, 1] == [part.size for part in numbers.RECORD_PARTS]
    assert (5, 9) == (numbers.HEADER_BYTES, numbers.OVERHEAD_BYTES)


@pytest.mark.parametrize(("capacity", "page", "byte"), [
    (128, 8, 0x03), (256, 16, 0x14), (4096, 32, 0x55), (131_072, 256, 0xA8)])
def test_geometry(capacity: int, page: int, byte: int) -> None:
    """Low nibble log2(page bytes), high nibble log2(capacity / 128)."""
    assert byte == numbers.geometry_byte(capacity, page)


@pytest.mark.parametrize("release", [0, 1, numbers.LAST_RELEASE])
@pytest.mark.parametrize("series", [0, 1, numbers.LAST_SERIES])
def test_release_and_series_share_16_bits(release: int, series: int) -> None:
    """Bits 0 to 11 and 12 to 15; they come apart again."""
    number = numbers.release_number(release, series)
    assert number == series * 4096 + release <= 0xFFFF
    assert (release, series) == numbers.split_release(number)


def test_slots_take_their_numbers_in_turn() -> None:
    """Number 1 stands in slot 0."""
    assert [0, 1, 2, 0, 1] == [numbers.slot_of(n, 3) for n in range(1, 6)]


def test_a_commit_never_reaches_the_newest_record() -> None:
    """It passes over three slots, or as many as leave the newest one and its own."""
    assert [0, 1, 2, 3, 3, 3] == [numbers.skip_limit(slots) for slots in (2, 3, 4, 5, 6, 100)]


def test_no_slot_begins_with_the_magic() -> None:
    """Numbers end below what the magic, or erased bytes, are as a number."""
    assert "0, and 0xD0000000 and above, are no sequence numbers" in TEXT
    assert 0xD0000000 == numbers.SEQUENCE_END <= int.from_bytes(numbers.LABEL_MAGIC, "little")
    assert numbers.SEQUENCE_FULL == numbers.SEQUENCE_END - 256
    assert b"\xff" * 4 == bytes([numbers.ERASED]) * 4
    assert b"\xff" * 4 == numbers.ERASED_SEQUENCE.to_bytes(4, "little")
