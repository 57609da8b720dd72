"""What a slot of a ring can be, and the cause of what is wrong with it."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from paramstore.image.contents import Slot

if TYPE_CHECKING:
    from paramstore.inspect.repair import Repair
    from paramstore.inspect.tear import TornSlot

__all__ = ["SlotKind", "SlotVerdict"]


class SlotKind(StrEnum):
    """What became of a slot."""

    CURRENT = "current"  # the newest record, or another copy of the same commit
    OLDER = "older"  # a whole record that a later one replaced
    ERASED = "erased"  # not written yet
    TORN = "torn"  # a write of the next commit was interrupted
    FLIPPED = "bit-flipped"  # a record but for one or two bits
    WORN = "worn"  # passed over: it did not take the record whose turn it was
    MISPLACED = "misplaced"  # a whole record of another slot or group of this store
    OTHER_STORE = "another store"  # a whole record, but of another store
    DAMAGED = "damaged"  # none of these
    MISSING = "missing"  # the dump does not have all of it

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong with the slot."""
        return self in (SlotKind.CURRENT, SlotKind.OLDER, SlotKind.ERASED)


class SlotVerdict(NamedTuple):
    """A slot and what it is.

    `turn` is the sequence number that the slot should hold, 0 if none has come to it yet. `tear` is
    there for a torn slot, `repair` wherever one or two bits would make a whole record, `revision`
    where a whole record has another one than its ring, `store_id` for a record of another store.
    `cut` is the record whose write may have been cut instead, of a bit-flipped slot; 0 if none.
    """

    slot: Slot
    kind: SlotKind
    turn: int
    reason: str = ""
    tear: TornSlot | None = None
    repair: Repair | None = None
    revision: int | None = None
    store_id: int | None = None
    cut: int = 0

    @property
    def costs_nothing(self) -> bool:
        """Whether what became of the slot is the fate of a record that was to be replaced anyway:
        bits of it changed, or the write of the next one was cut."""
        return self.repair is not None and 0 < self.repair.sequence < self.cut
