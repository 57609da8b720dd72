"""The numbers of the format that the C runtime is written with are those of the library."""

from __future__ import annotations

import re

import pytest

from paramstore.core import checksum, format
from paramstore.firmware.generate import runtime_files
from paramstore.layout import figures
from paramstore.record.label import label_places
from paramstore.record.shapes import record_shape

FILES = runtime_files()
MACROS = dict(re.findall(r"^#define (\w+) +\(?((?:0x)?[0-9A-F]+)u\b",
                         FILES["paramstore.c"] + FILES["paramstore.h"], re.MULTILINE))
LABEL = label_places(32)


def number(name: str) -> int:
    """The value of a macro."""
    return int(MACROS[name], 0)


@pytest.mark.parametrize("part", ["version", "geometry", "release", "store_id", "layout_id",
                                  "lineage"])
def test_offsets_in_a_label(part: str) -> None:
    """Each part lies where the codec puts it, whatever the size of a page."""
    offset = number(f"LABEL_{part.upper()}")
    assert {offset} == {label_places(page)[part].start for page in (8, 16, 32, 64, 128, 256)}


def test_sizes_in_a_label() -> None:
    """What is compared as a whole has the size that the codec gives it."""
    sizes = {name: place.stop - place.start for name, place in LABEL.items()}
    assert number("MAGIC_BYTES") == sizes["magic"] == len(format.LABEL_MAGIC)
    assert number("ID_BYTES") == sizes["store_id"] == sizes["layout_id"]
    assert number("LINEAGE_BYTES") == sizes["lineage"] == format.LINEAGE_BYTES
    assert number("CRC_BYTES") == sizes["crc"]
    known = LABEL["layout_id"].stop - LABEL["release"].start
    assert number("PS_EARLIER_BYTES") == known


def test_offsets_in_a_record() -> None:
    """Sequence number, revision, body, in this order and without a gap."""
    sequence, revision, *_ = record_shape(1).parts
    assert number("SEQUENCE_BYTES") == number("RECORD_REVISION") == sequence.bytes
    assert number("RECORD_BODY") == sequence.bytes + revision.bytes == format.HEADER_BYTES
    assert number("CRC_BYTES") == format.CRC_BYTES


def test_sequence_numbers() -> None:
    """Where they end, and how many slots a commit may skip."""
    assert number("SEQUENCE_END") == format.SEQUENCE_END
    distance = re.search(r"SEQUENCE_FULL \(SEQUENCE_END - (\d+)u\)", FILES["paramstore.c"])
    assert distance is not None
    assert format.SEQUENCE_END - int(distance[1]) == format.SEQUENCE_FULL
    assert number("SKIP_LIMIT") == format.SKIP_LIMIT


def test_crc() -> None:
    """The register begins with ones; after data and their CRC it holds the residue."""
    assert number("CRC_POLYNOMIAL") == checksum.REVERSED_POLYNOMIAL
    data = b"123456789"
    whole = data + checksum.crc32c(data).to_bytes(format.CRC_BYTES, "little")
    assert number("CRC_START") == checksum.crc32c(b"") ^ 0xFFFF_FFFF
    assert number("CRC_RESIDUE") == checksum.crc32c(whole) ^ 0xFFFF_FFFF


def test_limits_of_the_code() -> None:
    """What the calculated times assume of the runtime is what it does."""
    assert number("CHUNK_BYTES") == figures.READ_BACK_BYTES
    assert number("LOAD_TRIES") == figures.LOAD_TRIES
    assert number("READ_TRIES") == figures.READ_TRIES
