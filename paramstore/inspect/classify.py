"""Every slot of every ring: the facts of `image.contents`, with their causes.

Whole records, and slots that nothing was ever written to, are classified here; whatever is not as
it should be goes to `damage`, which is loaded for it only.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from typing import TYPE_CHECKING

from paramstore.image.contents import Contents, GroupContents, Slot, SlotState
from paramstore.inspect.slots import SlotKind, SlotVerdict

if TYPE_CHECKING:
    from paramstore.inspect.damage import DamageClassifier

__all__ = ["classify_slots"]


def classify_slots(contents: Contents) -> dict[str, tuple[SlotVerdict, ...]]:
    """Return the verdicts on all slots of each group, by group name."""

    @cache
    def foreign() -> frozenset[int]:
        from paramstore.inspect.damage import foreign_stores

        return foreign_stores(contents)

    return {g.ring.group.name: tuple(_Classifier(contents, g, foreign).verdicts())
            for g in contents.groups}


class _Classifier:
    """Classifies the slots of one group."""

    def __init__(self, contents: Contents, group: GroupContents,
                 foreign: Callable[[], frozenset[int]]) -> None:
        self._contents, self._group, self._foreign = contents, group, foreign
        self._newest = group.newest.record.sequence if group.newest else 0
        self._damage: DamageClassifier | None = None

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
        from paramstore.inspect.damage import DamageClassifier  # not needed for a sound unit

        if self._damage is None:
            self._damage = DamageClassifier(self._contents, self._group, self._foreign())
        return self._damage.verdict(slot, turn)
