"""What the CRC of a record finds: the limits, verified where they are small enough to be exact."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import crcmod.predefined
import pytest

from paramstore.core.checksum import crc32c
from paramstore.layout.strength import CRC_16, CRC_32C, strength

CRC_32C_REFLECTED = 0x82F63B78


def single_bit_remainders(bits: int) -> list[int]:
    """The remainder of each single wrong bit of a code word, last bit first; errors add by XOR."""
    remainders, register = [], 1 << 31
    for _ in range(bits):
        remainders.append(register)
        register = (register >> 1) ^ (CRC_32C_REFLECTED if register & 1 else 0)
    return remainders


def flipped(data: bytes, *bits: int) -> bytes:
    wrong = bytearray(data)
    for bit in bits:
        wrong[bit // 8] ^= 1 << bit % 8
    return bytes(wrong)


def rank(vectors: list[int]) -> int:
    """The number of linearly independent vectors over GF(2)."""
    basis: dict[int, int] = {}
    for vector in vectors:
        while vector and vector.bit_length() in basis:
            vector ^= basis[vector.bit_length()]
        if vector:
            basis[vector.bit_length()] = vector
    return len(basis)


def sums_of_three(remainders: list[int]) -> Iterator[int]:
    return (a ^ b ^ c for a, b, c in combinations(remainders, 3))


def test_remainders_are_those_of_the_crc() -> None:
    """The bit-wise remainders used below are what crc32c does to a flipped bit."""
    data = bytes(range(12))
    remainders = single_bit_remainders(8 * 12 + 32)
    for bit in range(8 * 12):
        place = 8 * 12 + 31 - bit
        assert crc32c(data) ^ crc32c(flipped(data, bit)) == remainders[place]


def test_published_limits() -> None:
    """CRC-32C: distance 6 to 5243 data bits (P. Koopman's tables, polynomial 0x8F6E37A0, from
    memory), 8 to 177 and 4 to 2147483615 (computed from code-word weights by a separate program);
    CRC-16/CCITT: 4 to 32751 (computed likewise)."""
    assert ((8, 177), (6, 5243), (4, 2147483615)) == CRC_32C.limits
    assert ((4, 32751),) == CRC_16.limits


@pytest.mark.parametrize(
    ("bits", "distance"), [(8, 8), (177, 8), (178, 6), (5243, 6), (5244, 4), (1 << 31, 2)]
)
def test_distance_of_crc32c(bits: int, distance: int) -> None:
    """The distance steps down right behind each limit."""
    assert distance == CRC_32C.distance(bits)


def test_every_error_of_up_to_three_bits_in_a_page_is_found() -> None:
    """A record of 32 bytes: none of the 2,796,416 errors of 1, 2 or 3 bits passes."""
    remainders = single_bit_remainders(8 * 32)
    singles = set(remainders)
    assert len(singles) == 8 * 32 and 0 not in singles  # 1 bit; 2 bits
    assert all(a ^ b not in singles for a, b in combinations(remainders, 2))  # 3 bits


def test_every_error_of_four_or_five_bits_in_a_page_is_found() -> None:
    """The same record at the distance claimed for it, 6: no two pairs agree, and the polynomial is
    a multiple of x + 1, so that no odd number of wrong bits passes."""
    assert strength(32).distance == 6
    remainders = single_bit_remainders(8 * 32)
    pairs = {a ^ b for a, b in combinations(remainders, 2)}
    assert len(pairs) == 256 * 255 // 2
    assert 0x11EDC6F41.bit_count() % 2 == 0


def test_limit_of_distance_8_is_exact() -> None:
    """At 177 data bits no six wrong bits pass (all triples differ), at 178 some do."""
    held = single_bit_remainders(177 + 32)
    assert len(set(sums_of_three(held))) == 209 * 208 * 207 // 6
    lost = single_bit_remainders(178 + 32)
    assert len(set(sums_of_three(lost))) < 210 * 209 * 208 // 6


def test_limit_of_a_16_bit_crc_is_exact() -> None:
    """CRC-16/IBM-3740 (crcmod's crc-ccitt-false): 4093 data bytes find first and last bit flipped,
    4094 do not: 32752 data bits are one more than the limit."""
    crc16 = crcmod.predefined.mkPredefinedCrcFun("crc-ccitt-false")
    for size, passes in ((4093, False), (4094, True)):
        data = bytes(size)
        word = data + crc16(data).to_bytes(2, "big")
        wrong = bytes([word[0] ^ 0x80]) + word[1:-1] + bytes([word[-1] ^ 1])
        assert passes == (crc16(wrong[:-2]) == int.from_bytes(wrong[-2:], "big"))
        assert (2 if passes else 4) == CRC_16.distance(8 * size)


def test_every_burst_of_up_to_32_bits_in_a_page_is_found() -> None:
    """No error within 32 neighbouring bits passes: their remainders are linearly independent."""
    remainders = single_bit_remainders(8 * 32)
    for start in range(8 * 32 - 31):
        assert 32 == rank(remainders[start : start + 32])


def test_strength_of_a_record() -> None:
    """A record's own CRC is not part of its data; odds are those of random content."""
    s = strength(659)
    assert (8 * 655, 6, 4) == (s.data_bits, s.distance, s.distance_16)
    assert strength(660).distance == 4
    assert (2**-32, 2**-16) == (s.pass_odds, s.pass_odds_16)
