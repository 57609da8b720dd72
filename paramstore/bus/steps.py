"""The steps of a write: bytes for a place, or new records for a ring.

Pages are written in the order of the steps, and only those that differ. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from paramstore.core.format import slot_of
from paramstore.image.contents import Contents
from paramstore.layout.plan import Plan, Ring
from paramstore.record import build_label, build_record

__all__ = ["NewRecords", "Put", "Step", "pages_of", "put_labels", "writes_of"]


class Put(NamedTuple):
    """Bytes for an address; `what` they are, for people. `identify`: they are the first ones on a
    part of which nothing is known yet."""

    address: int
    data: bytes
    what: str
    identify: bool = False

    def lay(self, image: bytearray) -> None:
        """Put the bytes into an image."""
        image[self.address:self.address + len(self.data)] = self.data


class NewRecords(NamedTuple):
    """`copies` records with one body behind number `newest` of a ring, 0 if it has none. Slots that
    do not take theirs may be passed over (FORMAT.md, 4)."""

    plan: Plan
    ring: Ring
    newest: int
    copies: int
    body: bytes
    revision: int

    def put(self, sequence: int) -> Put:
        """Return one of the records and its place."""
        slot = slot_of(sequence, self.ring.slots)
        return Put(self.ring.address(slot),
                   build_record(self.plan, self.ring, sequence, self.body, self.revision),
                   f"{self.ring.group.name}: record {sequence}, slot {slot}")


Step = Put | NewRecords


def writes_of(steps: Iterable[Step], before: bytes, page: int) -> Iterator[Put]:
    """Yield what is written to each page if every slot takes its record."""
    image = bytearray(before)
    for step in steps:
        puts = [step] if isinstance(step, Put) else [
            step.put(step.newest + 1 + i) for i in range(step.copies)]
        for put in puts:
            for part in pages_of(put, page):
                if image[part.address:part.address + len(part.data)] != part.data:
                    part.lay(image)
                    yield part


def pages_of(put: Put, page: int) -> Iterator[Put]:
    """Cut bytes at the borders of pages."""
    at, end = put.address, put.address + len(put.data)
    while at < end:
        stop = min(at // page * page + page, end)
        yield put._replace(address=at, data=put.data[at - put.address:stop - put.address],
                           identify=put.identify and at == put.address)
        at = stop


def put_labels(plan: Plan, contents: Contents) -> list[Put]:
    """Return both copies of the label; never over the only whole one first (FORMAT.md, 2)."""
    label = build_label(plan)
    order = (0, 1) if contents.labels[1] is not None else (1, 0)
    return [Put(plan.label_address(copy), label, f"label copy {copy}",
                identify=copy == order[0] and contents.label is None) for copy in order]
