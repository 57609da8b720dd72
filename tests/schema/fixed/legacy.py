"""The struct of the first tank_probe firmware, made without any code of this project.

`struct` lays it out from the C declaration in `schemas/tank_probe.fixed.toml`, `binascii` has the
CRC (CRC-16/XMODEM begun with FFFF is CRC-16/IBM-3740).
"""

from __future__ import annotations

import binascii
import struct
from datetime import date
from typing import Any

HOLE = range(26, 32)

VALUES: dict[str, Any] = {
    "magic": 0x5054, "version": 2, "hardware": 3, "serial": b"TP-190042", "fitted": 0b100010,
    "contrast": 31, "ph_slope": -5712, "ph_zero": 38, "cell_constant": 1.0213, "reference": 2497,
    "mode": 1, "interval": 5, "ph_low": 64, "ph_high": 86, "temp_low": 5, "temp_high": 17,
    "ec_high": 2500, "alarms": 0x83, "label": b"basin 3".ljust(12), "hours": 20731,
    "made": (date(2019, 5, 14) - date(2000, 1, 1)).days,
}
"""Invented, as the schema says."""

_HEAD = ("magic", "version", "hardware", "serial", "fitted", "contrast", "ph_slope", "ph_zero",
         "cell_constant", "reference")
_TAIL = ("mode", "interval", "ph_low", "ph_high", "temp_low", "temp_high", "ec_high", "alarms",
         "label", "hours", "made")


def legacy(**changes: Any) -> bytes:
    """The 60 bytes of a unit with these values."""
    values = VALUES | changes
    values["hours"] = values["hours"].to_bytes(3, "big")
    head = struct.pack("<HBB10sBBhhfH", *(values[n] for n in _HEAD))
    tail = struct.pack("<BBBBbbHB12s3sH", *(values[n] for n in _TAIL))
    crc = binascii.crc_hqx(head + tail, 0xFFFF)
    return head + b"\xff" * len(HOLE) + tail + struct.pack("<H", crc)
