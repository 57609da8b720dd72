"""What every slot of a ring is worth: the facts of `image.contents`, with their causes.

Whole records, and slots that nothing was ever written to, are judged here; whatever is not as it
should be goes to `damage`, which is loaded for it only.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from enum import StrEnum
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from paramstore.image.contents import Contents, GroupContents, Slot, SlotState

if TYPE_CHECKING:
    from paramstore.decode.damage import DamageJudge
    from paramstore.decode.repair import Repair
    from paramstore.decode.tear import Tear

__all__ = ["SlotKind", "SlotVerdict", "judge_slots"]


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
    tear: Tear | None = None
    repair: Repair | None = None
    revision: int | None = None
    store_id: int | None = None
    cut: int = 0

    @property
    def costs_nothing(self) -> bool:
        """Whether what became of the slot is the fate of a record that was to be replaced anyway:
        bits of it changed, or the write of the next one was cut."""
        return self.repair is not None and 0 < int.from_bytes(self.repair.data[:4], "little") < (
            self.cut)


def judge_slots(contents: Contents) -> dict[str, tuple[SlotVerdict, ...]]:
    """Return the verdicts on all slots of each group, by group name."""

    @cache
    def strangers() -> frozenset[int]:
        from paramstore.decode.damage import strangers_of

        return strangers_of(contents)

    return {g.ring.group.name: tuple(_Judge(contents, g, strangers).verdicts())
            for g in contents.groups}


class _Judge:
    """Judges the slots of one group."""

    def __init__(self, contents: Contents, group: GroupContents,
                 strangers: Callable[[], frozenset[int]]) -> None:
        self._contents, self._group, self._strangers = contents, group, strangers
        self._newest = group.newest.record.sequence if group.newest else 0
        self._damage: DamageJudge | None = None

    def verdicts(self) -> Iterator[SlotVerdict]:
        for slot in self._group.slots:
            yield self._verdict(slot, self._turn(slot.number))

    def _turn(self, number: int) -> int:
        """Return the greatest number up to the newest that belongs in a slot; 0 if none does."""
        return max(0, self._newest - (self._newest - 1 - number) % self._group.ring.slots)

    def _verdict(self, slot: Slot, turn: int) -> SlotVerdict:
        match slot.state:
            case SlotState.MISSING:
                return SlotVerdict(slot, SlotKind.MISSING, turn, slot.reason)
            case SlotState.FOREIGN:
                return SlotVerdict(slot, SlotKind.MISPLACED, turn, slot.reason)
            case SlotState.ERASED if turn == 0:
                return SlotVerdict(slot, SlotKind.ERASED, turn)
            case SlotState.ERASED | SlotState.DAMAGED:
                return self._unsound(slot, turn)
            case _:
                return self._whole(slot, turn)

    def _whole(self, slot: Slot, turn: int) -> SlotVerdict:
        record = slot.record
        revision = record.revision if record.revision != self._group.ring.revision else None
        if record.sequence < turn:
            return SlotVerdict(
                slot, SlotKind.WORN, turn, f"holds record {record.sequence}, but number {turn} "
                "came by: the page did not take it", revision=revision)
        kind = SlotKind.CURRENT if slot.state is SlotState.CURRENT else SlotKind.OLDER
        return SlotVerdict(slot, kind, turn, revision=revision)

    def _unsound(self, slot: Slot, turn: int) -> SlotVerdict:
        from paramstore.decode.damage import DamageJudge  # not needed for a sound unit

        if self._damage is None:
            self._damage = DamageJudge(self._contents, self._group, self._strangers())
        return self._damage.verdict(slot, turn)
