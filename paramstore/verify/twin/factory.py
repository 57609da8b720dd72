"""The factory values of a store: from an image in the memory of a controller, or defaults.

Knows images as `image.pack` makes them, with the first record of each group in slot 0.
"""

from __future__ import annotations

from paramstore.core.checksum import CRC_BYTES
from paramstore.core.format import ERASED, HEADER_BYTES
from paramstore.layout.plan import Plan
from paramstore.record import build_label, default_payload
from paramstore.verify.twin.newest import record_crc

__all__ = ["factory_bodies"]


def factory_bodies(plan: Plan, image: bytes | None) -> dict[str, bytes] | None:
    """Return the record body of each group that gets one; None if the image is not of this layout
    and release, or not as packed: with record 1 whole in slot 0, and nothing behind its copies.

    A group whose record is erased in the image gets none. Without an image all get defaults, but
    for protected groups: a default is no calibration.
    """
    if image is None:
        return {ring.group.name: bytes(default_payload(ring)) for ring in plan.rings
                if not ring.group.role.protected}
    if not image.startswith(build_label(plan)):
        return None
    bodies = {}
    for ring in plan.rings:
        record = image[ring.address(0):ring.address(0) + ring.record_bytes]
        if record == bytes([ERASED]) * len(record):
            continue
        behind = ring.address(ring.group.copies)
        if (record[-CRC_BYTES:] != record_crc(plan, ring, record[:-CRC_BYTES])
                or record[:4] != b"\x01\0\0\0"
                or image[behind:behind + 4] != bytes([ERASED]) * 4):
            return None
        bodies[ring.group.name] = record[HEADER_BYTES:-CRC_BYTES]
    return bodies
