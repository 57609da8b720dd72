"""Numbers of the EEPROM format, as FORMAT.md states them; checked against it and the C header."""

from __future__ import annotations

from typing import NamedTuple

__all__ = [
    "CRC_BYTES",
    "ERASED",
    "ERASED_SEQUENCE",
    "FORMAT_VERSION",
    "HEADER_BYTES",
    "LABEL_MAGIC",
    "LABEL_PARTS",
    "LAST_RELEASE",
    "LAST_SERIES",
    "LINEAGE_BYTES",
    "NO_STORE",
    "OVERHEAD_BYTES",
    "RECORD_PARTS",
    "SEQUENCE_END",
    "SEQUENCE_FULL",
    "SKIP_LIMIT",
    "FormatPart",
    "geometry_byte",
    "label_bytes",
    "label_name_bytes",
    "label_pages",
    "release_number",
    "skip_limit",
    "slot_of",
    "split_release",
]

FORMAT_VERSION = 1
LABEL_MAGIC = b"PSL\xd5"
ERASED = 0xFF
NO_STORE = 0
"""The store id in copy 0 of the label while a part is being wiped."""
LINEAGE_BYTES = 4
"""A label tells of so many releases before its own which ones they were, one byte for each."""


class FormatPart(NamedTuple):
    """A part of a label or a record: its name, its size in bytes, and whether these are a
    little-endian number."""

    name: str
    size: int
    number: bool = True


LABEL_PARTS = (
    FormatPart("magic", len(LABEL_MAGIC), number=False),
    FormatPart("version", 1),
    FormatPart("geometry", 1),
    FormatPart("release", 2),
    FormatPart("store_id", 4),
    FormatPart("layout_id", 4),
    FormatPart("lineage", LINEAGE_BYTES, number=False),
)
"""What a label begins with; the name of the store follows, then the CRC."""
RECORD_PARTS = (FormatPart("sequence", 4), FormatPart("revision", 1))
"""What a record begins with; the body follows, then the CRC."""
CRC_BYTES = 4
"""The size of the CRC of a label or a record."""
HEADER_BYTES = sum(part.size for part in RECORD_PARTS)
OVERHEAD_BYTES = HEADER_BYTES + CRC_BYTES
ERASED_SEQUENCE = 0xFFFF_FFFF
"""What erased bytes are as a sequence number; it is none."""
SEQUENCE_END = 0xD000_0000
"""Sequence numbers are below: so no slot begins with the label's magic, read as a number."""
SEQUENCE_FULL = SEQUENCE_END - 256
"""From this number on no commit is begun."""
SKIP_LIMIT = 3
"""A commit passes over at most this many slots that do not take the record."""


def label_name_bytes(page_bytes: int) -> int:
    """Return the size of the name field of a label: 8 bytes, or none on 8-byte pages."""
    return 0 if page_bytes == 8 else 8


def label_bytes(page_bytes: int) -> int:
    """Return the size of one label copy."""
    return sum(part.size for part in LABEL_PARTS) + label_name_bytes(page_bytes) + CRC_BYTES


def label_pages(page_bytes: int) -> int:
    """Return the pages of one label copy; there are two copies, from page 0 on."""
    return -(-label_bytes(page_bytes) // page_bytes)


def geometry_byte(capacity_bytes: int, page_bytes: int) -> int:
    """Return log2(page) in the low nibble and log2(capacity / 128) in the high nibble."""
    return (page_bytes.bit_length() - 1) | ((capacity_bytes.bit_length() - 8) << 4)


LAST_RELEASE, LAST_SERIES = 0x0FFF, 0x0F
"""What the release number of a label can hold."""


def release_number(release: int, series: int) -> int:
    """Return the release as a label says it: the series in the four upper bits."""
    return series << 12 | release


def split_release(number: int) -> tuple[int, int]:
    """Return release and series of the number in a label."""
    return number & LAST_RELEASE, number >> 12


def slot_of(sequence: int, slots: int) -> int:
    """Return the slot that sequence number `sequence` (from 1) belongs in."""
    return (sequence - 1) % slots


def skip_limit(slots: int) -> int:
    """Return how many slots one commit may pass over without reaching the newest record."""
    return min(SKIP_LIMIT, slots - 2)
