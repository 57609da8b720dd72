"""What an image of a fixed layout holds: a pure function from bytes to values.

Gives facts: which groups are there, values as raws, checksums as stored and as computed. Reading
never fails, whatever the bytes are and however few. What is wrong is worded elsewhere.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import reduce
from operator import xor

from paramstore.fixed.model import (
    Check,
    CheckKind,
    FixedGroup,
    FixedLayout,
    Item,
    Place,
    gather,
    place_bytes,
    place_width,
)
from paramstore.scalars import Raw, ScalarForm
from paramstore.schema.model import Kind

__all__ = ["CheckResult", "FixedContents", "FixedGroupContents", "Presence", "checksum",
           "read_image"]

NO_LETTER = 0xFF
"""Stands in a text for packed bits that are no letter: no UTF-8 text has this byte."""


class Presence(StrEnum):
    """Whether a group is there."""

    THERE = "there"
    ABSENT = "not there"  # the bits of its `when` say so
    CUT = "not in the dump"  # it lacks all of the group, or the bits of its `when`


@dataclass(frozen=True, slots=True)
class CheckResult:
    """A checksum as stored and as the bytes give it."""

    check: Check
    stored: int
    computed: int

    @property
    def right(self) -> bool:
        """Whether the two agree."""
        return self.stored == self.computed


@dataclass(frozen=True, slots=True)
class FixedGroupContents:
    """What one group holds: `values` as raws by parameter name, without those in `unset`, which
    hold the number for no value, and those of which the image lacks a byte."""

    group: FixedGroup
    presence: Presence
    values: dict[str, tuple[Raw, ...]]
    unset: frozenset[str] = frozenset()
    checks: tuple[CheckResult, ...] = ()


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

    def wrong_over(self, item: Item) -> str:
        """Return the name of a wrong checksum that covers any byte of `item`; "" if none does."""
        wrong = [(f"{found.group.name}.{result.check.name}", result.check.over)
                 for found in self.groups for result in found.checks if not result.right]
        if not wrong:
            return ""
        own = {address for place in item.places for address in place_bytes(place)}
        return next((name for name, over in wrong if not own.isdisjoint(over)), "")


def read_image(layout: FixedLayout, image: bytes,
               gaps: tuple[tuple[int, int], ...] = ()) -> FixedContents:
    """Return what `image`, the bytes from address 0 on, holds; more bytes than it has are left.

    Nothing is read from `gaps`, see `FixedContents`.
    """
    image = image[:layout.size]
    there = frozenset(range(len(image))).difference(*(range(*gap) for gap in gaps))
    groups = tuple(_read(group, image, there) for group in layout.groups)
    return FixedContents(layout, image, groups, gaps)


def _read(group: FixedGroup, image: bytes, there: frozenset[int]) -> FixedGroupContents:
    condition = group.condition
    holds = condition is None or (
        condition.holds(image) if there.issuperset(place_bytes(condition.place)) else None)
    if not holds:
        presence = Presence.CUT if holds is None else Presence.ABSENT
        return FixedGroupContents(group, presence, {})
    values: dict[str, tuple[Raw, ...]] = {}
    unset = set()
    for item in group.items:
        if not there.issuperset(b.address for place in item.places for b in place):
            continue
        numbers = [gather(image, place) for place in item.places]
        if item.none is not None and set(numbers) == {item.none}:
            unset.add(item.name)
        else:
            values[item.name] = _raws(item, numbers)
    checks = tuple(
        CheckResult(check, gather(image, check.place), checksum(check, image))
        for check in group.checks
        if there.issuperset((*check.over, *place_bytes(check.place))))
    whole = len(values) + len(unset) == len(group.items) and len(checks) == len(group.checks)
    nothing = not values and not unset and not checks
    presence = Presence.CUT if nothing and not whole else Presence.THERE
    return FixedGroupContents(group, presence, values, frozenset(unset), checks)


# ---- Values -------------------------------------------------------------------------------------


def _raws(item: Item, numbers: list[int]) -> tuple[Raw, ...]:
    """Return the raws of a parameter from the unsigned numbers at its places."""
    field = item.field
    if item.alphabet is not None:
        letters, first = item.alphabet.letters, item.alphabet.first
        return tuple(ord(letters[n - first]) if 0 <= n - first < len(letters) else NO_LETTER
                     for n in numbers)
    if field.kind is Kind.TEXT:
        return _text(item, bytes(numbers))
    return tuple(_raw(item, place, n) for place, n in zip(item.places, numbers, strict=True))


def _text(item: Item, data: bytes) -> tuple[int, ...]:
    """Return a text as a store has it: in UTF-8, filled up with zero bytes."""
    text, ended, _ = data.partition(bytes([item.end]))
    if not ended:
        text = text.rstrip(bytes([item.fill]))
    if item.encoding != "utf-8":
        text = text.decode(item.encoding).encode()
    return tuple(text.ljust(item.field.count, b"\0"))


def _raw(item: Item, place: Place, number: int) -> Raw:
    scalar = item.field.scalar
    if scalar.form is ScalarForm.FLOAT:
        (value,) = struct.unpack("<" + scalar.struct_code, number.to_bytes(scalar.size, "little"))
        return float(value)
    width = place_width(place)
    signed = scalar.form is ScalarForm.SIGNED and number >> width - 1
    return number - (1 << width) if signed else number


# ---- Checksums ----------------------------------------------------------------------------------


def checksum(check: Check, image: Sequence[int]) -> int:
    """Return what a checksum must be for the bytes of its range, all of which must be there."""
    own = set(place_bytes(check.place))
    data = bytes(check.itself if a in own and check.itself is not None else image[a]
                 for a in check.over)
    if check.crc is not None:
        return check.crc.of(data)
    if check.kind is CheckKind.XOR:
        return reduce(xor, data, 0)
    total = -sum(data) if check.kind is CheckKind.SUM_ZERO else sum(data)
    return total & (1 << place_width(check.place)) - 1
