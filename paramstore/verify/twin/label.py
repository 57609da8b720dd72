"""Recognising the part: whose label it carries, and whether it is as large as planned.

Knows the label's bytes (FORMAT.md, 2). Knows no record.
"""

from __future__ import annotations

from paramstore.core.format import ERASED, FORMAT_VERSION, LABEL_MAGIC
from paramstore.core.status import Status
from paramstore.layout.figures import READ_TRIES
from paramstore.layout.plan import Plan
from paramstore.record import Label, build_label, erasing_label, parse_label
from paramstore.verify.twin.wire import Steps, Wire

__all__ = ["LabelReader", "unlabelled"]


class LabelReader:
    """Reads the label copies; all methods raise BusFailure. `ours` is what they must be, `wiping`
    what stands there while the part is being wiped: the label of no store."""

    def __init__(self, plan: Plan, wire: Wire) -> None:
        self._plan = plan
        self._wire = wire
        self._read = b""  # the last label read
        self.ours = build_label(plan)
        self.wiping = erasing_label(plan)

    def read(self, copy: int) -> Steps[Status]:
        """OK: ours. BLANK: erased. FLAGGED: unreadable. Else the reason why it is not ours.

        What is not whole is read twice.
        """
        ours, status = self.ours, Status.FLAGGED
        for _ in range(READ_TRIES):
            data = yield from self._wire.read(self._plan.label_address(copy), len(ours))
            self._read = data
            label = parse_label(data, self._plan.part.page)
            if label is not None:
                return self._judge(label)
            status = Status.BLANK if data == bytes([ERASED]) * len(ours) else Status.FLAGGED
        return status

    def _judge(self, label: Label) -> Status:
        """OK: ours, or a later release that follows from this one, so that all that this one knows
        is where it was. OLDER: a known earlier one."""
        plan = self._plan
        if self._read == self.ours:
            return Status.OK
        if label.version != FORMAT_VERSION:
            return Status.ERR_LAYOUT
        if label.store_id != plan.store_id:
            return Status.ERR_FOREIGN
        if (label.page, label.capacity) != (plan.part.page, plan.part.capacity):
            return Status.ERR_PART
        if label.series != plan.series:
            return Status.ERR_LAYOUT
        if label.release > plan.release > 0:
            follows = label.follows(plan.release, plan.layout_id)
            return Status.OK if follows else Status.ERR_LAYOUT
        known = (label.release, label.layout_id) in plan.migratable
        return Status.OLDER if known else Status.ERR_LAYOUT

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
