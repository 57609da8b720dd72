"""Checksums of fixed layouts: Fletcher's, inverted and begun sums, against published values.

Expected values are published ones, their source beside them, or made here by other means. All
example data are invented.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.schema.fixed.contents import checksum
from tests.schema.fixed.test_contents import findings_of, layout_of


def computed(line: str, data: bytes, size: int = 8, order: str = "little") -> int:
    """What a checksum gives over `data`; it stands behind them."""
    layout = layout_of(
        f'c = {{ {line}, over = ["0-{len(data) - 1}"], at = {len(data)} }}', len(data) + size,
        order, head="[group.demo.check]")
    return checksum(layout.groups[0].checks[0], data + bytes(size))


@pytest.mark.parametrize(("text", "width", "expected"), [
    # The usual test vectors of the Fletcher checksum, as articles on it give them (words with the
    # low byte first, a last word filled up with zero bytes).
    (b"abcde", 16, 0xC8F0), (b"abcdef", 16, 0x2057), (b"abcdefgh", 16, 0x0627),
    (b"abcde", 32, 0xF04FC729), (b"abcdef", 32, 0x56502D2A), (b"abcdefgh", 32, 0xEBE19591),
    (b"abcde", 64, 0xC8C6C527646362C6), (b"abcdef", 64, 0xC8C72B276463C8C6),
    (b"abcdefgh", 64, 0x312E2B28CCCAC8C6),
])
def test_fletcher(text: bytes, width: int, expected: int) -> None:
    """A Fletcher checksum of 16, 32 or 64 bits is the published one."""
    assert expected == computed(f'type = "fletcher", width = {width}', text)


@given(st.binary(min_size=1, max_size=60))
def test_fletcher_of_bytes_that_roll_over(data: bytes) -> None:
    """With `modulo = 256` it is the pair of sums that RFC 1145 (8-bit Fletcher algorithm, option 1)
    makes of bytes: A = A + D, B = B + A."""
    a = b = 0
    for byte in data:
        a = (a + byte) & 0xFF
        b = (b + a) & 0xFF
    assert b << 8 | a == computed('type = "fletcher", width = 16, modulo = 256', data)


@given(st.binary(min_size=1, max_size=60), st.integers(0, 0xFFFF))
def test_fletcher_that_does_not_begin_with_zero(data: bytes, initial: int) -> None:
    """Both sums begin in the halves in which they end."""
    a, b = initial & 0xFF, initial >> 8
    for byte in data:
        a = (a + byte) & 0xFF
        b = (b + a) & 0xFF
    line = f'type = "fletcher", width = 16, modulo = 256, initial = {initial}'
    assert b << 8 | a == computed(line, data)


def test_fletcher_of_words_in_the_other_order() -> None:
    """Words of the big end are those of swapped bytes of the little one."""
    line = 'type = "fletcher", width = 32'
    assert computed(line, b"abcdef") == computed(line, b"badcfe", order="big")


@pytest.mark.parametrize(("line", "expected"), [
    ('type = "sum", final = 0xFF', ~(1 + 2 + 250) & 0xFF),
    ('type = "sum", width = 16, final = 0xFFFF', ~(1 + 2 + 250) & 0xFFFF),
    ('type = "sum", initial = 0xA5', (0xA5 + 1 + 2 + 250) & 0xFF),
    ('type = "xor", final = 0xFF, initial = 0x5A', 0x5A ^ 1 ^ 2 ^ 250 ^ 0xFF),
])
def test_inverted_and_begun_sums(line: str, expected: int) -> None:
    """A sum may be inverted, and need not begin with 0."""
    assert expected == computed(line, bytes([1, 2, 250]))


@pytest.mark.parametrize(("name", "help"), [
    ("fletchr", "did you mean `fletcher`?"), ("crc16", 'write `type = "crc"`, and its `width` and '
     "`polynomial`"), ("zzzzzzzzz", "use one of `sum`,")])
def test_an_unknown_kind_of_checksum_is_answered(name: str, help: str) -> None:
    """With the nearest one, or with all."""
    ((code, told),) = findings_of(f'c = {{ type = "{name}", over = ["0-1"], at = 2 }}',
                                  "[group.demo.check]")
    assert "PS360" == code and told.startswith(help), told
