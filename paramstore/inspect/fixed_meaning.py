"""What a byte of a fixed layout is for, and where a parameter lies: both ways, down to the bit."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from paramstore.core.errors import ToolError
from paramstore.core.words import did_you_mean
from paramstore.inspect.meaning import number_bit
from paramstore.schema.fixed.coding import Coding
from paramstore.schema.fixed.found import FixedContents, GroupPresence
from paramstore.schema.fixed.model import (
    Bits,
    Check,
    FixedGroup,
    FixedLayout,
    Place,
    PlacedParameter,
    place_bytes,
    place_width,
)
from paramstore.schema.model import Kind

__all__ = ["Owner", "Owners", "bit_text", "bytes_of", "find", "owners_by_address", "owners_of"]


@dataclass(frozen=True, slots=True)
class Owner:
    """What has bits of a byte: an element of a parameter, or a checksum.

    `bits` are the bits it has there, and `lowest` is the bit of its number that the lowest of them
    is. `present`: whether its group is there, None if that is not known.
    """

    group: FixedGroup
    thing: PlacedParameter | Check
    element: int
    place: Place
    bits: Bits
    lowest: int
    present: bool | None = None

    @property
    def name(self) -> str:
        """The name, with its element if there are several."""
        if isinstance(self.thing, Check):
            return self.thing.name
        field = self.thing.field
        return f"{field.name}[{self.element}]" if field.array else field.name


Owners = dict[int, list[Owner]]
"""What has bits of each byte, the highest bits first."""


def owners_by_address(layout: FixedLayout, contents: FixedContents | None = None) -> Owners:
    """Return what has bits of each byte; with contents only groups that may be there."""
    owners: Owners = {}
    for owner in _all(layout, contents):
        if owner.present is not False:
            owners.setdefault(owner.bits.address, []).append(owner)
    for here in owners.values():
        here.sort(key=lambda o: -o.bits.low)
    return owners


def owners_of(layout: FixedLayout, address: int,
              contents: FixedContents | None = None) -> tuple[list[Owner], list[Owner]]:
    """Return what has bits of the byte at an address, and what would have if it were there.

    ToolError if the layout has no such address.
    """
    if not 0 <= address < layout.size:
        raise ToolError(f"`{layout.name}` has no address 0x{address:X}",
                        f"it ends at 0x{layout.size - 1:X}")
    here = [o for o in _all(layout, contents) if o.bits.address == address]
    here.sort(key=lambda o: -o.bits.low)
    return ([o for o in here if o.present is not False], [o for o in here if o.present is False])


def _all(layout: FixedLayout, contents: FixedContents | None) -> Iterator[Owner]:
    there = {} if contents is None else {
        g.group.name: g.presence is GroupPresence.THERE for g in contents.groups}
    for group in layout.groups:
        present = there.get(group.name, None if group.condition else True)
        for item in group.items:
            for element, place in enumerate(item.places):
                yield from _pieces(group, item, element, place, present)
        for check in group.checks:
            yield from _pieces(group, check, 0, check.place, present)


def _pieces(group: FixedGroup, thing: PlacedParameter | Check, element: int, place: Place,
            present: bool | None) -> Iterator[Owner]:
    lowest = place_width(place)
    for bits in place:
        lowest -= bits.width
        yield Owner(group, thing, element, place, bits, lowest, present)


def bit_text(owner: Owner, bit: int) -> str:
    """Return what a bit of the byte, one that `owner` has, means for its value."""
    number = owner.lowest + bit - owner.bits.low
    if isinstance(owner.thing, Check):
        return f"bit {number} of the checksum"
    field = owner.thing.field
    if owner.thing.alphabet is not None:
        return f"bit {number} of letter {owner.element + 1}"
    if field.kind in (Kind.TEXT, Kind.BYTES):
        return f"bit {number} of byte {owner.element}"
    if owner.thing.coding is not Coding.PLAIN:
        return f"bit {number} of the stored number"
    return number_bit(field, number, place_width(owner.place))


# ---- Name to places -----------------------------------------------------------------------------


def find(layout: FixedLayout, name: str) -> list[tuple[FixedGroup, PlacedParameter | Check, Place]]:
    """Return where a parameter or checksum lies: in every block of its group, unless one is named.

    `name` is GROUP.PARAMETER, with `[n]` for an element and the name of a flag for its bit. A
    parameter's own name does if only one group has it. ToolError if there is no such thing.
    """
    match = re.match(r"(\w+)(?:\.(\w+))?(.*)", name.strip(), re.DOTALL)
    first, second, rest = match.groups() if match else ("", None, "")
    groups = [g for g in layout.groups if first in (g.name, g.declared)]
    if not groups:
        groups = [g for g in layout.groups if first in _things(g)]
        if len({g.declared for g in groups}) > 1:
            raise ToolError(f"several groups have a parameter `{first}`", "write " + " or ".join(
                dict.fromkeys(f"{g.declared}.{first}" for g in groups)))
        rest = (f".{second}" if second else "") + rest
        first, second = (groups[0].declared if groups else first), first
    if not groups or second is None:
        known = [f"{g.declared}.{n}" for g in layout.groups for n in _things(g)]
        raise ToolError(f"`{name}` is neither an address nor a parameter", did_you_mean(
            name, list(dict.fromkeys(known))) or "write GROUP.PARAMETER, or an address as 0x1A4")
    things = _things(groups[0])
    if second not in things:
        raise ToolError(f"group `{first}` has no parameter `{second}`",
                        did_you_mean(second, list(things), f"those of `{first}`"))
    return [(g, _things(g)[second], _part(_things(g)[second], name, rest)) for g in groups]


def _things(group: FixedGroup) -> dict[str, PlacedParameter | Check]:
    things: tuple[PlacedParameter | Check, ...] = (*group.checks, *group.items)
    return {thing.name: thing for thing in things}


def _part(thing: PlacedParameter | Check, name: str, rest: str) -> Place:
    """Return the place of a thing, or of the element and flag of it that `rest` names."""
    if isinstance(thing, Check):
        place = thing.place
    else:
        place = tuple(b for p in thing.places for b in p)
        index = re.match(r"\[(\d{1,6})\]", rest)
        if index is not None:
            if int(index[1]) >= len(thing.places):
                raise ToolError(f"`{thing.name}` has {len(thing.places)} elements",
                                f"give [0] to [{len(thing.places) - 1}]")
            place, rest = thing.places[int(index[1])], rest[index.end():]
        members = dict(thing.field.members) if thing.field.kind is Kind.FLAGS else {}
        if rest[:1] == "." and rest[1:] in members:
            return (_bit(place, members[rest[1:]]),)
        if rest[:1] == "." and members:
            raise ToolError(f"`{thing.name}` has no flag `{rest[1:]}`",
                            did_you_mean(rest[1:], list(members), "its flags"))
    if rest:
        raise ToolError(f"`{name}` names nothing: `{rest}` is left over",
                        "write GROUP.PARAMETER, [n] for an element, the name of a flag")
    return place


def _bit(place: Place, number: int) -> Bits:
    """Return where bit `number` of a number lies, 0 the lowest."""
    for bits in reversed(place):
        if number < bits.width:
            return Bits(bits.address, bits.low + number, 1)
        number -= bits.width
    raise AssertionError("a member fits in its bits")


def bytes_of(thing: PlacedParameter | Check) -> list[int]:
    """Return the addresses of the bytes that a thing has a part in, in order."""
    places = (thing.place,) if isinstance(thing, Check) else thing.places
    return place_bytes(tuple(b for p in places for b in p))
