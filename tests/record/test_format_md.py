"""The worked example of FORMAT.md is what the library writes, and what a stranger would read."""

import json
import re
from pathlib import Path

from paramstore.core import format as numbers
from paramstore.core.checksum import crc32c
from paramstore.layout.layout_id import layout_text
from paramstore.record import build_label, build_record, encode_body
from tests.independent_decoder import crc32c_bit_by_bit, decode_image
from tests.record.plans import EXAMPLE

TEXT = (Path(__file__).parents[2] / "paramstore/FORMAT.md").read_text("utf-8")
SECTION = TEXT[TEXT.index("## 8."):]
LAYOUT = "".join(SECTION.split("```json\n")[1].split("```")[0].split("\n"))
LIMITS, USER = EXAMPLE.rings


def image_of_the_page() -> bytes:
    """The image that the page lists byte by byte."""
    image = bytearray(b"\xff" * 1024)
    end = 0
    for line in SECTION.split("```\n")[2].split("\n"):
        found = re.match(r"([0-9A-F]{3})  ((?:[0-9A-F]{2} ?)+)", line)
        if found:
            start, data = int(found[1], 16), bytes.fromhex(found[2])
            assert end <= start
            end = start + len(data)
            image[start:end] = data
    return bytes(image)


def test_the_layout_text_and_its_id() -> None:
    """The page's layout text is the one the planner makes, and its CRC is the layout id."""
    assert layout_text(EXAMPLE.part, EXAMPLE.rings, 0) == LAYOUT
    assert EXAMPLE.layout_id == 0x25C2871F == crc32c_bit_by_bit(LAYOUT.encode())
    assert "0x25C2871F" in SECTION


def test_the_crc_of_the_page() -> None:
    """The parameters and the check value on the page are those of both CRCs.

    0xE3069283 is also the check value of CRC-32/ISCSI in the CRC catalogues.
    """
    assert "polynomial 0x1EDC6F41" in TEXT and "is 0xE3069283" in TEXT
    assert 0xE3069283 == crc32c(b"123456789") == crc32c_bit_by_bit(b"123456789")
    assert 0x388919A2 == EXAMPLE.store_id == crc32c_bit_by_bit(b"pump_drive")


def test_a_stranger_reads_the_image_as_the_page_says() -> None:
    """A decoder that shares no code finds the label and the values that the page names."""
    contents = decode_image(image_of_the_page(), json.loads(LAYOUT), "pump_drive")
    assert {
        "version": 1, "page": 16, "capacity": 1024, "release": 0, "series": 0,
        "store_id": 0x388919A2, "layout_id": 0x25C2871F, "lineage": (0, 0, 0, 0),
        "name": "pump_dri",
    } == contents["label"]
    assert {
        1: {"sequence": 4, "revision": 1, "fields": {
            "current": (1200,), "gain": (-0.25,), "flow.x": (0, 60, 255),
            "flow.y": (-32768, 0, 700)}},
        7: {"sequence": 1, "revision": 1, "fields": {
            "name": tuple("Süd".encode().ljust(6, b"\0")), "low": (-3,), "high": (4,)}},
    } == contents["groups"]


def test_the_library_writes_the_image_byte_for_byte() -> None:
    """Labels and records of the page are those of the codec, the torn slot included."""
    new = encode_body(LIMITS, {"current": (1200,), "gain": (-0.25,), "flow.x": (0, 60, 255),
                               "flow.y": (-32768, 0, 700)})
    old = encode_body(LIMITS, {})
    records = {s: build_record(EXAMPLE, LIMITS, s, old if s < 4 else new) for s in (2, 3, 4, 5)}
    user = encode_body(USER, {"name": tuple("Süd".encode().ljust(6, b"\0"))})
    image = bytearray(b"\xff" * 1024)
    for address, data in (
        (EXAMPLE.label_address(0), build_label(EXAMPLE)),
        (EXAMPLE.label_address(1), build_label(EXAMPLE)),
        (LIMITS.address(0), records[4]),
        (LIMITS.address(1), records[5][:16] + records[2][16:]),
        (LIMITS.address(2), records[3]),
        (USER.address(0), build_record(EXAMPLE, USER, 1, user)),
    ):
        image[address:address + len(data)] = data
    assert image_of_the_page() == bytes(image)


def test_the_numbers_of_the_page_are_those_of_the_code() -> None:
    """Magic, version and overhead stand once in the code and once on the page."""
    assert f"magic `{numbers.LABEL_MAGIC.hex(' ').upper()}`" in TEXT
    assert f"# The EEPROM format, version {numbers.FORMAT_VERSION}" in TEXT
    assert f"A record costs {numbers.OVERHEAD_BYTES} bytes beside its body" in TEXT
    assert f"min({numbers.SKIP_LIMIT}, slots - 2)" in TEXT
