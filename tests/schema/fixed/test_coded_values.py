"""Values in other codes: half precision, binary-coded decimals, dates, packed letters.

Expected values are published ones, their source beside them, or made here by other means. All
example data are invented.
"""

from __future__ import annotations

import struct
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.inspect.fixed import faults_in
from tests.schema.fixed.test_contents import findings_of, layout_of, read, value


@pytest.mark.parametrize(("bits", "expected"), [
    # IEEE 754-2019, binary16; the examples are those that articles on it commonly give.
    (0x3C00, 1.0), (0x3C01, 1.0009765625), (0xC000, -2.0), (0x7BFF, 65504.0),
    (0x0400, 2.0 ** -14), (0x0001, 2.0 ** -24), (0x03FF, 1023 * 2.0 ** -24),
    (0x3555, 0.333251953125),
    (0x8000, -0.0), (0x7C00, float("inf")),
])
def test_half_precision(bits: int, expected: float) -> None:
    """An `f16` is an IEEE 754 binary16."""
    found = read('a = { type = "f16", at = 0, order = "big" }', bits.to_bytes(2, "big"))
    assert (expected,) == found.values["a"]


@given(st.integers(0, 0x7BFF))
def test_half_precision_is_shown_short(bits: int) -> None:
    """The digits that are shown are enough to tell each value from all others."""
    image = bits.to_bytes(2, "little")
    shown = value(read('a = { type = "f16", at = 0 }', image), "a")
    assert image == struct.pack("<e", shown)
    assert len(f"{shown:e}".split("e")[0].rstrip("0").replace(".", "")) <= 5


def test_half_precision_has_limits() -> None:
    """Limits and constants are rounded to the nearest value of 16 bits, exactly."""
    layout = layout_of('a = { type = "f16", at = 0, min = 0, max = 0.1 }\n'
                       'b = { type = "f16", at = 2, always = 2049.0000001 }')
    a, b = layout.groups[0].items
    assert ((0.0, struct.unpack("<e", struct.pack("<e", 0.1))[0]),) == a.field.limits.ranges
    assert (2050.0,) == b.always


@pytest.mark.parametrize(("line", "image", "expected"), [
    ('a = { type = "u8", at = 0, coding = "bcd" }', "59", 59),
    ('a = { type = "u16", at = 0, coding = "bcd" }', "34 12", 1234),
    ('a = { type = "u32", at = 0, coding = "bcd", order = "big", scale = 0.01 }', "00 12 34 56",
     Decimal("1234.56")),
    ('a = { type = "u8", bits = ["0.6-0"], coding = "bcd" }', "D9", 59),
    ('a = { type = "u8", at = 0, coding = "bcd", count = 3 }', "01 20 99", [1, 20, 99]),
])
def test_binary_coded_decimal(line: str, image: str, expected: Any) -> None:
    """Each four bits are a decimal digit (as in the time registers of clock circuits, common
    practice)."""
    assert expected == value(read(line, bytes.fromhex(image)), "a")


@pytest.mark.parametrize(("line", "image", "expected"), [
    # 1234567890 s after the epoch is 2009-02-13 23:31:30 UTC, and 2**31 - 1 is 2038-01-19.
    ('a = { type = "date", at = 0, coding = "unix" }', "D2 02 96 49", date(2009, 2, 13)),
    ('a = { type = "date", at = 0, coding = "unix" }', "FF FF FF 7F", date(2038, 1, 19)),
    ('a = { type = "date", at = 0, coding = "unix", storage = "u64", order = "big" }',
     "00 00 00 00 FF FF FF FF", date(2106, 2, 7)),
    # The date of a directory entry of the FAT file system: year since 1980 in bits 15 to 9, month
    # in bits 8 to 5, day in bits 4 to 0 (ECMA-107).
    ('a = { type = "date", at = 0, coding = "packed", since = 1980-01-01 }', "21 00",
     date(1980, 1, 1)),
    ('a = { type = "date", at = 0, coding = "packed", since = 1980-01-01 }', "7A 4F",
     date(2019, 11, 26)),
    ('a = { type = "date", bits = ["0.6-0", "1.3-0", "2.4-0"], coding = "packed" }', "1A 02 11",
     date(2026, 2, 17)),
    ('a = { type = "date", at = 0, coding = "bcd", order = "big" }', "20 26 02 17",
     date(2026, 2, 17)),
    ('a = { type = "date", bits = ["2", "1", "0"], coding = "bcd" }', "17 02 26",
     date(2026, 2, 17)),
    ('a = { type = "date", at = 0, since = 1970-01-01 }', "40 50", date(2026, 4, 1)),
    ('a = { type = "date", at = 0, since = 1900-01-01, storage = "u32" }', "40 50 00 00",
     date(1956, 4, 1)),
    ('a = { type = "date", at = 0 }', "00 00", date(2000, 1, 1)),
])
def test_coded_dates(line: str, image: str, expected: date) -> None:
    """A date is read as days, seconds, packed bits or decimal digits."""
    assert expected == value(read(line, bytes.fromhex(image)), "a")


@pytest.mark.parametrize(("line", "image", "message"), [
    ('a = { type = "u8", at = 0, coding = "bcd" }', "5A", "`a` holds 0x5A, which is no BCD number"),
    ('a = { type = "date", at = 0, coding = "bcd", order = "big" }', "20 26 02 30",
     "`a` holds 0x20260230, which is no date"),
    ('a = { type = "date", at = 0, coding = "packed" }', "00 00",
     "`a` holds 0x0000, which is no date"),
    ('a = { type = "date", at = 0, coding = "unix", storage = "u64" }', "FF FF FF FF FF FF FF FF",
     "`a` holds 0xFFFFFFFFFFFFFFFF, which is no date"),
    ('a = { type = "u8", at = 0, coding = "bcd", count = 2 }', "12 FF",
     "`a[1]` holds 0xFF, which is no BCD number"),
])
def test_bits_that_stand_for_nothing(line: str, image: str, message: str) -> None:
    """Bits that are no number or no date are told as they stand, and are no value."""
    found = read(line, bytes.fromhex(image))
    assert {} == found.values
    assert [message] == list(faults_in(found, found.group.item("a")))


@pytest.mark.parametrize(("bits", "letters", "first", "fits"), [
    (4, 15, 1, True), (4, 16, 1, False), (4, 16, 0, True), (5, 26, 6, True), (5, 26, 7, False)])
def test_the_last_letter_must_fit_its_bits(bits: int, letters: int, first: int,
                                           fits: bool) -> None:
    """Numbers end at 2**bits - 1."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[:letters]
    line = (f'a = {{ type = "letters", size = 1, bits = ["0.{bits - 1}-0"], first = {first}, '
            f'alphabet = "{alphabet}" }}')
    if fits:
        image = bytes([first + letters - 1, 0])
        assert alphabet[-1] == value(read(line, image), "a")
    else:
        with pytest.raises(FindingsError) as caught:
            layout_of(line)
        assert ["PS363"] == [f.code for f in caught.value.findings]


@pytest.mark.parametrize("size", [3, 5, 100])
def test_letters_that_do_not_divide_their_bits_are_told_once(size: int) -> None:
    """However many there are."""
    found = findings_of(f'a = {{ type = "letters", size = {size}, bits = ["0.1-0"] }}',
                        "[group.demo.parameter]")
    assert ["PS353"] == [code for code, _ in found]
