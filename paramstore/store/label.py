"""Recognising the part: whose label it carries, and whether it is as large as planned.

Knows the label's bytes (FORMAT.md, 2). Knows no record.
"""

from __future__ import annotations

from paramstore.checksum import CRC_BYTES, crc32c
from paramstore.codec import build_label
from paramstore.format import ERASED, LABEL_MAGIC, split_release
from paramstore.layout.plan import Plan
from paramstore.status import Status
from paramstore.store.requests import Steps
from paramstore.store.wire import Wire

__all__ = ["LabelReader"]

_VERSION = slice(4, 5)
_GEOMETRY = slice(5, 6)
_RELEASE = slice(6, 8)
_LAYOUT_ID = slice(12, 16)
_STORE_ID = slice(8, 12)


class LabelReader:
    """Reads the label copies; both methods raise BusFailure. `ours` is what they must be, `wiping`
    what stands there while the part is being wiped: the label of no store."""

    def __init__(self, plan: Plan, wire: Wire) -> None:
        self._plan = plan
        self._wire = wire
        self.ours = build_label(plan)
        front = self.ours[:_STORE_ID.start] + bytes(4) + self.ours[_STORE_ID.stop:-CRC_BYTES]
        self.wiping = front + crc32c(front).to_bytes(CRC_BYTES, "little")

    def read(self, copy: int) -> Steps[Status]:
        """OK: ours. BLANK: erased. FLAGGED: unreadable. Else the reason why it is not ours."""
        ours = self.ours
        data = yield from self._wire.read(self._plan.label_address(copy), len(ours))
        if data == ours:
            return Status.OK
        if data == bytes([ERASED]) * len(ours):
            return Status.BLANK
        front, crc = data[:-CRC_BYTES], data[-CRC_BYTES:]
        if not data.startswith(LABEL_MAGIC) or crc != crc32c(front).to_bytes(CRC_BYTES, "little"):
            return Status.FLAGGED
        if data[_STORE_ID] != ours[_STORE_ID]:
            return Status.ERR_FOREIGN
        if data[_GEOMETRY] != ours[_GEOMETRY]:
            return Status.ERR_PART
        return self._other_release(data) if data[_VERSION] == ours[_VERSION] else Status.ERR_LAYOUT

    def _other_release(self, data: bytes) -> Status:
        """OK: a later release, in which all that this one knows is where it was. OLDER: a known
        earlier one."""
        release, series = split_release(int.from_bytes(data[_RELEASE], "little"))
        if series != self._plan.series:
            return Status.ERR_LAYOUT
        if release > self._plan.release > 0:
            return Status.OK
        layout_id = int.from_bytes(data[_LAYOUT_ID], "little")
        return Status.OLDER if (release, layout_id) in self._plan.known else Status.ERR_LAYOUT

    def check_size(self, copy: int) -> Steps[Status]:
        """OK or ERR_PART: on a part too small the label shows up again in the middle."""
        middle = self._plan.part.capacity // 2 + self._plan.label_address(copy)
        head = yield from self._wire.read(middle, len(LABEL_MAGIC))
        return Status.ERR_PART if head == LABEL_MAGIC else Status.OK
