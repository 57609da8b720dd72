"""What an image of a fixed layout holds: a pure function from bytes to values.

Gives facts: which groups are there, values as raws, checksums as stored and as computed. Reading
never fails, whatever the bytes are and however few. What is wrong is worded elsewhere.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from functools import reduce
from operator import xor
from typing import Literal

from paramstore.core.scalars import Raw, ScalarForm
from paramstore.schema.bits import Elements, NoValue, Place, gather, place_bytes, place_width
from paramstore.schema.fixed.coding import Coding, decoded_date, decoded_number
from paramstore.schema.fixed.copies import ranked
from paramstore.schema.fixed.found import (
    NO_LETTER,
    CheckResult,
    FixedContents,
    FixedGroupContents,
    GroupPresence,
)
from paramstore.schema.fixed.model import (
    CheckKind,
    Checksum,
    FixedGroup,
    FixedLayout,
    PlacedParameter,
)
from paramstore.schema.fixed.scales import scaled
from paramstore.schema.from_raw import FIRST_DATE
from paramstore.schema.model import Kind

__all__ = ["checksum", "read_image"]

def read_image(layout: FixedLayout, image: bytes,
               gaps: tuple[tuple[int, int], ...] = ()) -> FixedContents:
    """Return what `image`, the bytes from address 0 on, holds; more bytes than it has are left.

    Nothing is read from `gaps`, see `FixedContents`.
    """
    image = image[:layout.size]
    there = frozenset(range(len(image))).difference(*(range(*gap) for gap in gaps))
    groups = ranked(scaled([_read(group, image, there) for group in layout.groups]), image)
    return FixedContents(layout, image, groups, gaps)


def _read(group: FixedGroup, image: bytes, there: frozenset[int]) -> FixedGroupContents:
    condition = group.condition
    holds = condition is None or (
        condition.holds(image) if there.issuperset(place_bytes(condition.place)) else None)
    if not holds:
        presence = GroupPresence.CUT if holds is None else GroupPresence.ABSENT
        return FixedGroupContents(group, presence, {})
    values: dict[str, tuple[Raw, ...]] = {}
    faulty: dict[str, Elements] = {}
    unset = set()
    for item in group.items:
        if not there.issuperset(b.address for place in item.places for b in place):
            continue
        numbers = [gather(image, place) for place in item.places]
        if item.no_value is not None and set(numbers) == {item.no_value}:
            unset.add(item.name)
        else:
            elements = _raws(item, numbers)
            sound = tuple(raw for raw in elements if not isinstance(raw, NoValue))
            if len(sound) == len(elements):
                values[item.name] = sound
            else:
                faulty[item.name] = elements
    checks = tuple(
        CheckResult(check, gather(image, check.place), checksum(check, image))
        for check in group.checks
        if there.issuperset((*check.over, *place_bytes(check.place))))
    presence = GroupPresence.THERE if values or faulty or unset or checks else GroupPresence.CUT
    return FixedGroupContents(group, presence, values, frozenset(unset), checks, faulty)


# ---- Values -------------------------------------------------------------------------------------


def _raws(item: PlacedParameter, numbers: list[int]) -> Elements:
    """Return the elements of a parameter from the unsigned numbers at its places."""
    field = item.field
    if item.alphabet is not None:
        letters, first = item.alphabet.letters, item.alphabet.first
        return tuple(ord(letters[n - first]) if 0 <= n - first < len(letters) else NO_LETTER
                     for n in numbers)
    if field.kind is Kind.TEXT:
        return _text(item, bytes(numbers))
    return tuple(_raw(item, place, n) for place, n in zip(item.places, numbers, strict=True))


def _text(item: PlacedParameter, data: bytes) -> tuple[int, ...]:
    """Return a text as a store has it: in UTF-8, filled up with zero bytes."""
    text, ended, _ = data.partition(bytes([item.end_byte]))
    if not ended:
        text = text.rstrip(bytes([item.fill]))
    if item.encoding != "utf-8":
        text = text.decode(item.encoding).encode()
    return tuple(text.ljust(item.field.count, b"\0"))


def _raw(item: PlacedParameter, place: Place, number: int) -> Raw | NoValue:
    scalar, width = item.field.scalar, place_width(place)
    if item.field.kind is Kind.DATE:
        day = decoded_date(item.coding, number, width, item.since)
        return NoValue(number, width, "date") if day is None else (day - FIRST_DATE).days
    if item.coding is not Coding.PLAIN:
        decoded = decoded_number(item.coding, number)
        return NoValue(number, width, "BCD number") if decoded is None else decoded
    if scalar.form is ScalarForm.FLOAT:
        (value,) = struct.unpack("<" + scalar.struct_code, number.to_bytes(scalar.size, "little"))
        return float(value)
    signed = scalar.form is ScalarForm.SIGNED and number >> width - 1
    return number - (1 << width) if signed else number


# ---- Checksums ----------------------------------------------------------------------------------


def checksum(check: Checksum, image: Sequence[int]) -> int:
    """Return what a checksum must be for the bytes of its range, all of which must be there."""
    instead = check.own_bytes_read_as
    own = set() if instead is None else set(place_bytes(check.place))
    data = bytes(instead if instead is not None and a in own else image[a] for a in check.over)
    if check.crc is not None:
        return check.crc.of(data)
    width = place_width(check.place)
    match check.kind:
        case CheckKind.XOR:
            result = reduce(xor, data, check.initial)
        case CheckKind.FLETCHER:
            result = _fletcher(check, data, width // 2)
        case CheckKind.SUM_ZERO:
            result = -sum(data)
        case _:
            result = check.initial + sum(data)
    return result & (1 << width) - 1 ^ check.final


def _fletcher(check: Checksum, data: bytes, half: int) -> int:
    """Return both sums, the second one in the high half; a last word that is not whole is filled
    up with zero bytes."""
    size, mask = half // 8, (1 << half) - 1
    first, second = check.initial & mask, check.initial >> half
    order: Literal["little", "big"] = "big" if check.order == "big" else "little"
    for at in range(0, len(data), size):
        first += int.from_bytes(data[at:at + size].ljust(size, b"\0"), order)
        first %= check.modulo
        second = (second + first) % check.modulo
    return second << half | first
