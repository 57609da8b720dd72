"""Copies of a group: which of them are right, and which one counts.

A copy is right if it is all there and its checksums and constants are right. The newest right one
counts; sequence numbers may roll over, so one is newer than another if it is less than half of
their range ahead. Where that does not tell, none counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from paramstore.core.format import ERASED
from paramstore.schema.bits import place_bytes, place_width
from paramstore.schema.fixed.found import Copy, FixedGroupContents, GroupPresence
from paramstore.schema.fixed.model import FixedGroup

__all__ = ["ranked"]


def ranked(found: Sequence[FixedGroupContents], image: bytes) -> tuple[FixedGroupContents, ...]:
    """Return what groups hold, and of copies what each of them is."""
    blocks: dict[str, list[FixedGroupContents]] = {}
    for each in found:
        if each.group.copy_number is not None:
            blocks.setdefault(each.group.declared, []).append(each)
    ranks = {each.group.name: copy for copies in blocks.values()
             for each, copy in zip(copies, _ranks(copies, image), strict=True)}
    return tuple(replace(each, copy=ranks.get(each.group.name)) for each in found)


def _ranks(copies: Sequence[FixedGroupContents], image: bytes) -> list[Copy]:
    ranks = [_fault(each, image) for each in copies]
    right = [each for each, fault in zip(copies, ranks, strict=True) if fault is None]
    used = next((each for each in right if all(
        other is each or _newer(each, other) or _alike(each, other) for other in right)), None)
    result = []
    for each, fault in zip(copies, ranks, strict=True):
        if fault is not None:
            result.append(fault)
        elif used is None:
            result.append(Copy.DOUBTFUL)
        else:
            result.append(Copy.USED if each is used else
                          Copy.SAME if _alike(each, used) else Copy.OLDER)
    return result


def _fault(found: FixedGroupContents, image: bytes) -> Copy | None:
    """Return why a copy is not right; None if it is."""
    group = found.group
    addresses = _addresses(group)
    if len(found.read) < len(group.items) or len(found.checks) < len(group.checks):
        if found.presence is GroupPresence.ABSENT:
            return Copy.WRONG
        return Copy.UNREAD
    if all(image[a] == ERASED for a in addresses):
        return Copy.ERASED
    constants = all(i.always is None or found.values.get(i.name) == i.always for i in group.items)
    counted = not group.copy_number or group.copy_number in found.values
    right = constants and counted and all(result.right for result in found.checks)
    return None if right else Copy.WRONG


def _addresses(group: FixedGroup) -> set[int]:
    return {a for item in group.items for place in item.places for a in place_bytes(place)}.union(
        *({*check.over, *place_bytes(check.place)} for check in group.checks))


def _newer(one: FixedGroupContents, other: FixedGroupContents) -> bool:
    """Return whether one copy was written after another; of those without a sequence number the
    first one counts."""
    name = one.group.copy_number
    if not name:
        return one.group.block < other.group.block
    width = place_width(one.group.item(name).places[0])
    ahead = (int(one.values[name][0]) - int(other.values[name][0])) % (1 << width)
    return 0 < ahead < 1 << width - 1


def _alike(one: FixedGroupContents, other: FixedGroupContents) -> bool:
    """Return whether two copies hold the same; a NaN is like itself."""
    return repr((one.values, one.faulty, one.unset)) == repr(
        (other.values, other.faulty, other.unset))
