"""What is found in an image of a fixed layout: facts about values, checksums and copies.

Frozen data; `contents` finds it out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from paramstore.core.scalars import Raw
from paramstore.schema.bits import Elements

if TYPE_CHECKING:
    from paramstore.schema.fixed.model import Checksum, FixedGroup, FixedLayout, PlacedParameter

__all__ = [
    "NO_LETTER",
    "CheckResult",
    "Copy",
    "FixedContents",
    "FixedGroupContents",
    "GroupPresence",
]

NO_LETTER = 0xFF
"""Stands in a text for packed bits that are no letter: no UTF-8 text has this byte."""


class GroupPresence(StrEnum):
    """Whether a group is there."""

    THERE = "there"
    ABSENT = "not there"  # the bits of its `when` say so
    CUT = "not in the dump"  # it lacks all of the group, or the bits of its `when`


class Copy(StrEnum):
    """What a block is among the copies of a group."""

    USED = "in use"
    SAME = "the same as the one in use"
    OLDER = "older"
    WRONG = "not right"
    ERASED = "erased"
    UNREAD = "not all in the dump"
    DOUBTFUL = "right, but none is newer"


class CheckResult(NamedTuple):
    """A checksum as stored and as the bytes give it."""

    check: Checksum
    stored: int
    computed: int

    @property
    def right(self) -> bool:
        """Whether the two agree."""
        return self.stored == self.computed


@dataclass(frozen=True, slots=True)
class FixedGroupContents:
    """What one group holds; `group` has the scales that it has in this image.

    `values` are raws by parameter name, without those in `unset`, which hold the number for no
    value, those of which the image lacks a byte, and those in `faulty`: of these the bits of one or
    more elements stand for nothing. `copy` is None if its blocks are no copies.
    """

    group: FixedGroup
    presence: GroupPresence
    values: dict[str, tuple[Raw, ...]]
    unset: frozenset[str] = frozenset()
    checks: tuple[CheckResult, ...] = ()
    faulty: dict[str, Elements] = field(default_factory=dict)
    copy: Copy | None = None

    @property
    def read(self) -> frozenset[str]:
        """The parameters that were read, whatever they hold."""
        return self.unset.union(self.values, self.faulty)

    def elements(self, name: str) -> Elements | None:
        """Return the elements of a parameter, sound or not; None if it has no value."""
        return self.values.get(name) or self.faulty.get(name)


@dataclass(frozen=True, slots=True)
class FixedContents:
    """What an image holds, group by group in the order of the schema. `gaps` are the (first, past
    the last) addresses inside it that were not read."""

    layout: FixedLayout
    image: bytes
    groups: tuple[FixedGroupContents, ...]
    gaps: tuple[tuple[int, int], ...] = ()

    def group(self, name: str) -> FixedGroupContents:
        """Return the contents of the group called `name`; KeyError if there is none."""
        for found in self.groups:
            if found.group.name == name:
                return found
        raise KeyError(name)

    def blocks(self, declared: str) -> tuple[FixedGroupContents, ...]:
        """Return what the blocks of a group of the schema hold."""
        return tuple(found for found in self.groups if found.group.declared == declared)

    def wrong_over(self, group: FixedGroup, item: PlacedParameter | None = None) -> str:
        """Return the name of a wrong checksum that covers any byte of `item`, of its scale, or of
        what says that its group is there; without an item only the last; "" if none does."""
        wrong = [(f"{found.group.name}.{result.check.name}", result.check.over)
                 for found in self.groups for result in found.checks if not result.right]
        if not wrong:
            return ""
        places = (*item.places, item.scale_place) if item else ()
        if group.condition is not None:
            places = (*places, group.condition.place)
        own = {bits.address for place in places for bits in place}
        return next((name for name, over in wrong if not own.isdisjoint(over)), "")
