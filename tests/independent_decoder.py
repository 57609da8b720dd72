"""A second decoder of EEPROM images, written from paramstore/FORMAT.md alone.

It shares no code with the library, not even the CRC: it is the check that FORMAT.md says enough
and that the library does what FORMAT.md says. Input is the JSON object of FORMAT.md section 6 as
plain data, and the name of the store.
"""

from __future__ import annotations

import struct
from typing import Any

_TYPES = {
    "u8": "B", "u16": "H", "u32": "I", "u64": "Q",
    "i8": "b", "i16": "h", "i32": "i", "i64": "q",
    "f32": "f", "f64": "d",
}


def crc32c_bit_by_bit(data: bytes) -> int:
    """CRC-32C: reflected, polynomial 0x1EDC6F41 (0x82F63B78 with its bits reversed)."""
    register = 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0x82F63B78 if register & 1 else 0)
    return register ^ 0xFFFFFFFF


def decode_label(data: bytes) -> dict[str, Any] | None:
    """Section 2: one label copy at the front of `data`; None if its magic or CRC is not right."""
    if data[:4] != bytes.fromhex("50534CD5") or len(data) < 6:
        return None
    page, capacity = 2 ** (data[5] & 15), 128 * 2 ** (data[5] >> 4)
    n = 0 if page == 8 else 8
    if len(data) < 20 + n + 4:
        return None
    (crc,) = struct.unpack_from("<I", data, 20 + n)
    if crc != crc32c_bit_by_bit(data[:20 + n]):
        return None
    version, _, release, store_id, layout_id = struct.unpack_from("<BBHII", data, 4)
    return {
        "version": version, "page": page, "capacity": capacity,
        "release": release & 0x0FFF, "series": release >> 12,
        "store_id": store_id, "layout_id": layout_id,
        "lineage": tuple(data[16:20]),
        "name": data[20:20 + n].rstrip(b"\0").decode("utf-8", "replace"),
    }


def decode_record(data: bytes, slot: int, ring: dict[str, Any], store: str) -> Any:
    """Sections 3 and 4: (sequence, revision, body) of the record at the front of `data`, or None.
    """
    end = 5 + ring["body"]
    if len(data) < end + 4:
        return None
    sequence, revision = struct.unpack_from("<IB", data)
    if sequence in (0, 0xFFFFFFFF) or (sequence - 1) % ring["slots"] != slot:
        return None
    lead = struct.pack("<IB", crc32c_bit_by_bit(store.encode()), ring["group"])
    (crc,) = struct.unpack_from("<I", data, end)
    if crc != crc32c_bit_by_bit(lead + data[:end]):
        return None
    return sequence, revision, data[5:end]


def decode_fields(body: bytes, ring: dict[str, Any]) -> dict[str, tuple[Any, ...]]:
    """Section 5: the raws of every field."""
    return {
        f["name"]: struct.unpack_from(f"<{f['count']}{_TYPES[f['type']]}", body, f["offset"])
        for f in ring["fields"]
    }


def decode_image(image: bytes, layout: dict[str, Any], store: str) -> dict[str, Any]:
    """The label that counts, and by group id the newest record: sequence, revision, fields."""
    page = layout["page"]
    label_bytes = 24 + (0 if page == 8 else 8)
    second = -(-label_bytes // page) * page
    groups = {}
    for ring in layout["rings"]:
        found = []
        for slot in range(ring["slots"]):
            at = (ring["first_page"] + slot * ring["slot_pages"]) * page
            record = decode_record(image[at:at + ring["slot_pages"] * page], slot, ring, store)
            if record is not None:
                found.append(record)
        newest = max(found, default=None)
        groups[ring["group"]] = newest and {
            "sequence": newest[0], "revision": newest[1], "fields": decode_fields(newest[2], ring),
        }
    return {"label": decode_label(image) or decode_label(image[second:]), "groups": groups}
