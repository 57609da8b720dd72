"""Recognising the part: whose label it carries, and whether it is as large as planned.

Knows the label's bytes (FORMAT.md, 2). Knows no record.
"""

from __future__ import annotations

from paramstore.core.checksum import CRC_BYTES, crc32c
from paramstore.core.format import ERASED, LABEL_MAGIC, LINEAGE_BYTES, split_release
from paramstore.core.status import Status
from paramstore.layout.figures import READ_TRIES
from paramstore.layout.plan import Plan
from paramstore.record import build_label, label_places
from paramstore.verify.twin.requests import Steps
from paramstore.verify.twin.wire import Wire

__all__ = ["LabelReader", "unlabelled"]


_MUST_AGREE = {"version": Status.ERR_LAYOUT, "store_id": Status.ERR_FOREIGN,
               "geometry": Status.ERR_PART}
"""What a label that is accepted has like ours, and what it means if it has not."""


class LabelReader:
    """Reads the label copies; all methods raise BusFailure. `ours` is what they must be, `wiping`
    what stands there while the part is being wiped: the label of no store."""

    def __init__(self, plan: Plan, wire: Wire) -> None:
        self._plan = plan
        self._wire = wire
        self._places = label_places(plan.part.page)
        self._read = b""  # the last label read
        self.ours = build_label(plan)
        store = self._places["store_id"]
        front = self.ours[:store.start] + bytes(4) + self.ours[store.stop:-CRC_BYTES]
        self.wiping = front + crc32c(front).to_bytes(CRC_BYTES, "little")

    def read(self, copy: int) -> Steps[Status]:
        """OK: ours. BLANK: erased. FLAGGED: unreadable. Else the reason why it is not ours.

        What is not whole is read twice.
        """
        ours = self.ours
        status, data = Status.FLAGGED, b""
        for _ in range(READ_TRIES):
            data = yield from self._wire.read(self._plan.label_address(copy), len(ours))
            self._read = data
            if _whole(data):
                break
            status = Status.BLANK if data == bytes([ERASED]) * len(ours) else Status.FLAGGED
        else:
            return status
        if data == ours:
            return Status.OK
        for part, status in _MUST_AGREE.items():
            if data[self._places[part]] != ours[self._places[part]]:
                return status
        return self._other_release(data)

    def _other_release(self, data: bytes) -> Status:
        """OK: a later release that follows from this one, so that all that this one knows is where
        it was. OLDER: a known earlier one."""
        release, series = split_release(int.from_bytes(data[self._places["release"]], "little"))
        if series != self._plan.series:
            return Status.ERR_LAYOUT
        layout_id = int.from_bytes(data[self._places["layout_id"]], "little")
        gap = release - self._plan.release
        if gap > 0 and self._plan.release:
            mine = self._plan.layout_id & 0xFF
            follows = gap > LINEAGE_BYTES or data[self._places["lineage"]][gap - 1] == mine
            return Status.OK if follows else Status.ERR_LAYOUT
        return Status.OLDER if (release, layout_id) in self._plan.known else Status.ERR_LAYOUT

    def find(self) -> Steps[tuple[Status, Status]]:
        """Return what copy 0 reads as, and what the label that counts does.

        ERR_PART too if an address bit has no effect: then the middle of the part reads what its
        beginning reads.
        """
        self._wire.be_patient()
        first = label = yield from self.read(0)
        if first.failed:
            return first, first
        address = self._plan.label_address
        too_small = yield from self._repeats(address(0), len(self.ours))
        if unlabelled(first):
            label = yield from self.read(1)
            if too_small and not label.failed:
                too_small = not unlabelled(label) and (
                    yield from self._repeats(address(1), len(LABEL_MAGIC)))
        return first, Status.ERR_PART if too_small and not label.failed else label

    def _repeats(self, address: int, count: int) -> Steps[bool]:
        """Return whether the middle of the part reads what the last label read began with."""
        data = yield from self._wire.read(self._plan.part.capacity // 2 + address, count)
        return self._read.startswith(data)


def unlabelled(label: Status) -> bool:
    """Return whether there is no whole label."""
    return label in (Status.BLANK, Status.FLAGGED)


def _whole(label: bytes) -> bool:
    front, crc = label[:-CRC_BYTES], label[-CRC_BYTES:]
    return label.startswith(LABEL_MAGIC) and crc == crc32c(front).to_bytes(CRC_BYTES, "little")
