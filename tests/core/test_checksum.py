"""The CRC of labels and records against catalogued values and another implementation."""

from __future__ import annotations

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.checksum import CRC_WIDTHS, Crc, crc32c, register_before


def bitwise(data: bytes) -> int:
    """CRC-32C from its parameters alone, one bit at a time."""
    register = 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0x82F63B78 if register & 1 else 0)
    return register ^ 0xFFFFFFFF


def test_check_value() -> None:
    """The catalogued check value of CRC-32/ISCSI over ASCII "123456789"."""
    assert crc32c(b"123456789") == 0xE3069283


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        (bytes(32), 0x8A9136AA),
        (b"\xff" * 32, 0x62A8AB43),
        (bytes(range(32)), 0x46DD794E),
        (bytes(reversed(range(32))), 0x113FDB5C),
    ],
)
def test_iscsi_examples(data: bytes, crc: int) -> None:
    """The examples of RFC 3720 section B.4 (from memory)."""
    assert crc == crc32c(data)


@pytest.mark.parametrize(
    ("name", "check"),
    [("crc-32c", 0xE3069283), ("crc-32", 0xCBF43926), ("crc-ccitt-false", 0x29B1),
     ("xmodem", 0x31C3), ("modbus", 0x4B37), ("x-25", 0x906E)],
)
def test_library_knows_the_catalogue(name: str, check: int) -> None:
    """The library the CRC comes from has the catalogued check values of its predefined CRCs."""
    assert check == crcmod.predefined.mkPredefinedCrcFun(name)(b"123456789")


@given(st.binary(max_size=300))
def test_agrees_with_the_definition(data: bytes) -> None:
    """Any bytes give the CRC that the parameters define, and that crcmod's own CRC-32C gives."""
    assert bitwise(data) == crc32c(data)
    assert crcmod.predefined.mkPredefinedCrcFun("crc-32c")(data) == crc32c(data)


@given(st.binary(max_size=100))
def test_own_crc_gives_the_residue(data: bytes) -> None:
    """Data followed by its CRC, least significant byte first, gives one value whatever the data."""
    assert crc32c(data + crc32c(data).to_bytes(4, "little")) == 0x48674BC7


@given(st.binary(max_size=40), st.binary(max_size=40))
def test_the_register_runs_backwards(before: bytes, data: bytes) -> None:
    """To where it stood before `data`, which the CRC of what came before gives."""
    assert bitwise(before) ^ 0xFFFFFFFF == register_before(crc32c(before + data), data)


@pytest.mark.parametrize("width", CRC_WIDTHS)
def test_a_crc_of_every_width_ends_there(width: int) -> None:
    """One bit of the last byte comes out as the polynomial."""
    assert 1 == Crc(width, 1).of(b"\1") and Crc(width, 1).of(b"\xff" * 99) < 1 << width


CATALOGUE = {
    # name: (width, polynomial, initial, reflected, final, check over "123456789"), as the
    # Catalogue of parametrised CRC algorithms (CRC RevEng) and crccheck's named classes have them
    "CRC-8/SMBUS": (8, 0x07, 0x00, False, 0x00, 0xF4),
    "CRC-8/I-432-1": (8, 0x07, 0x00, False, 0x55, 0xA1),
    "CRC-8/ROHC": (8, 0x07, 0xFF, True, 0x00, 0xD0),
    "CRC-8/MAXIM-DOW": (8, 0x31, 0x00, True, 0x00, 0xA1),
    "CRC-8/AUTOSAR": (8, 0x2F, 0xFF, False, 0xFF, 0xDF),
    "CRC-16/IBM-3740": (16, 0x1021, 0xFFFF, False, 0x0000, 0x29B1),
    "CRC-16/XMODEM": (16, 0x1021, 0x0000, False, 0x0000, 0x31C3),
    "CRC-16/KERMIT": (16, 0x1021, 0x0000, True, 0x0000, 0x2189),
    "CRC-16/GENIBUS": (16, 0x1021, 0xFFFF, False, 0xFFFF, 0xD64E),
    "CRC-16/SPI-FUJITSU": (16, 0x1021, 0x1D0F, False, 0x0000, 0xE5CC),
    "CRC-16/ARC": (16, 0x8005, 0x0000, True, 0x0000, 0xBB3D),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, 0x0000, 0x4B37),
    "CRC-16/USB": (16, 0x8005, 0xFFFF, True, 0xFFFF, 0xB4C8),
    "CRC-16/DNP": (16, 0x3D65, 0x0000, True, 0xFFFF, 0xEA82),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF, 0xCBF43926),
    "CRC-32/BZIP2": (32, 0x04C11DB7, 0xFFFFFFFF, False, 0xFFFFFFFF, 0xFC891918),
    "CRC-32/MPEG-2": (32, 0x04C11DB7, 0xFFFFFFFF, False, 0x00000000, 0x0376E6E7),
    "CRC-32/JAMCRC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0x00000000, 0x340BC6D9),
    "CRC-32/CKSUM": (32, 0x04C11DB7, 0x00000000, False, 0xFFFFFFFF, 0x765E7680),
}


@pytest.mark.parametrize(("width", "polynomial", "initial", "reflected", "final", "check"),
                         CATALOGUE.values(), ids=CATALOGUE)
def test_described_crcs_have_their_catalogued_values(
        width: int, polynomial: int, initial: int, reflected: bool, final: int,
        check: int) -> None:
    """A CRC that is described by its parameters gives the check value of the catalogue."""
    assert check == Crc(width, polynomial, initial, final, reflected).of(b"123456789")
