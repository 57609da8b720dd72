"""One place explained: what an address is for, where a parameter lies; in text and as data.

Must not decide what bytes mean (see `inspect.regions`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal

from paramstore.core.scalars import ScalarForm
from paramstore.core.text import JsonObject, printable
from paramstore.core.words import address_range, plural, show_number
from paramstore.image.contents import SlotState
from paramstore.inspect.examination import Examination
from paramstore.inspect.examine import places_of
from paramstore.inspect.regions import (
    Claim,
    Location,
    Places,
    Region,
    RegionKind,
    Thing,
    ThingKind,
    ThingState,
    parse_address,
)
from paramstore.inspect.which import Layout
from paramstore.report.things import thing_text, thing_value
from paramstore.schema.bits import Place, place_bytes, show_place
from paramstore.schema.fixed.coding import Coding
from paramstore.schema.fixed.found import GroupPresence
from paramstore.schema.model import Field, Kind

__all__ = ["bit_text", "place_data", "place_text"]

_MOST_SLOTS = 8
"""Slots of which each is shown; of more only the one with the newest record."""
_UNDIVIDED = (Kind.TEXT, Kind.BYTES)
_ABSENT = {ThingState.ABSENT: GroupPresence.ABSENT.value, ThingState.CUT: GroupPresence.CUT.value}


def place_text(of: Layout | Examination, place: str) -> str:
    """Return what an address is for, or where a parameter lies; of an examination also what stands
    there.

    ToolError if there is no such place.
    """
    places, address = places_of(of), parse_address(place)
    lines = _address(places, *address) if address is not None else _named(
        places, place, places.find(place))
    return "\n".join(lines) + "\n"


def place_data(of: Layout | Examination, place: str) -> JsonObject:
    """Return what `place_text` says as plain data for JSON: its lines, and the addresses.

    ToolError if there is no such place.
    """
    places, address = places_of(of), parse_address(place)
    data: JsonObject = {"place": place, "lines": place_text(of, place).splitlines()}
    if address is not None:
        return data | {"address": address[0], "bit": address[1],
                       "bytes": _hex(places, [address[0]])}
    found = places.find(place)
    return data | {"group": found[0].block.names[0], "locations": [
        {"slot": at.block.number, "block": at.block.title, "address": place_bytes(at.place)[0],
         "size": len(place_bytes(at.place)), "bit": at.place[0].low if at.bit else None,
         "bytes": _hex(places, place_bytes(at.place))} for at in found]}


def _hex(places: Places, addresses: Sequence[int]) -> str | None:
    data = places.bytes_at(addresses)
    return None if data is None else data.hex()


# ---- An address ---------------------------------------------------------------------------------


def _address(places: Places, address: int, bit: int | None) -> Iterator[str]:
    """Yield what a byte, or one bit of it, is for; with a dump also what stands there."""
    region, claims = places.region_at(address), places.claims(address)
    name = f"0x{address:04X}"
    if len(claims) == 1 and claims[0].bits.width == 8 and claims[0].present is not False:
        (claim,) = claims
        yield f"{name}: {_where(region)}{_byte_of(claim, address)}{_when(claim)}"
        if bit is not None:
            yield f"  bit {bit}: {bit_text(claim, bit)}"
        yield from _held(places, address, bit, claim)
    else:
        if bit is not None:
            name += f".{bit}"
            claims = [c for c in claims if c.bits.low <= bit < c.bits.low + c.bits.width]
        there = [claim for claim in claims if claim.present is not False]
        yield name if there else f"{name}: not described"
        yield from _held(places, address, bit)
        for claim in there:
            yield f"  {_bits(claim)}{_of(claim)}{_when(claim)}"
            if bit is not None:
                yield f"    {bit_text(claim, bit)}"
            if places.data is not None:
                yield f"    {thing_text(claim.thing)}".rstrip()
        for claim in claims:
            if claim.present is False:
                yield f"  {_bits(claim)}{_of(claim)}, which is not there"
    if checks := places.checked_by(address):
        yield f"  checked by {', '.join(checks)}"
    if region.verdict is not None:
        yield f"  the slot is {region.verdict.kind.value}" + (
            f": {region.verdict.reason}" if region.verdict.reason else "")


def _where(region: Region) -> str:
    if region.kind is RegionKind.SLOT:
        return f"group `{region.group}`, slot {region.number}, "
    return f"{region.title}, " if region.kind is RegionKind.LABEL else ""


def _byte_of(claim: Claim, address: int) -> str:
    size = len(claim.addresses)
    of = f"byte {claim.addresses.index(address)} of {size} of " if size > 1 else ""
    return of + claim.name


def _held(places: Places, address: int, bit: int | None,
          claim: Claim | None = None) -> Iterator[str]:
    """Yield what stands at an address, with the value that it is all of."""
    if places.data is None or (address >= len(places.data) and not places.gaps):
        return
    if places.lacks(address, address + 1):
        yield "  not in the dump"
        return
    byte = places.data[address]
    shown = f"  holds 0x{byte:02X}" + ("" if bit is None else f", the bit is {byte >> bit & 1}")
    value = _claim_value(claim) if claim else ""
    yield shown + (f"; {value}" if value else "")


def _claim_value(claim: Claim) -> str:
    """Return the value of the whole that a byte belongs to, "" if it has none."""
    thing = claim.thing
    if thing.state is ThingState.ERASED:
        return "erased"
    if thing.state is ThingState.UNREAD:
        return ""
    if thing.kind is ThingKind.FRAME:
        value = thing_value(thing)
        return f"{thing.title} {value}" if value else ""
    text = thing_text(_element(thing, claim.element))
    return f"{claim.name}  {text}" if text else ""


def _element(thing: Thing, element: int) -> Thing:
    """Return one element of a thing, the whole of a text."""
    if thing.field is None or thing.elements is None or thing.field.kind in _UNDIVIDED:
        return thing
    return thing._replace(field=replace(thing.field, count=1, array=False),
                   elements=(thing.elements[element],))


def _bits(claim: Claim) -> str:
    bits = claim.bits
    if bits.width == 8:
        return ""
    high = bits.low + bits.width - 1
    return f"bit {high}: " if bits.width == 1 else f"bits {high} to {bits.low}: "


def _of(claim: Claim) -> str:
    """Return which part of what a claim is of lies here."""
    if claim.bits.width == claim.width:
        return claim.name
    end = claim.lowest + claim.bits.width - 1
    return f"bits {end} to {claim.lowest} of {claim.name}" if end > claim.lowest else (
        f"bit {end} of {claim.name}")


def _when(claim: Claim) -> str:
    return ", if that is there" if claim.present is None else ""


def bit_text(claim: Claim, bit: int) -> str:
    """Return what a bit (0 the lowest) of the byte, one that a claim has, means for its value."""
    number, thing = claim.lowest + bit - claim.bits.low, claim.thing
    field, item = thing.field, thing.item
    if field is None:
        if thing.kind is ThingKind.CHECK:
            return f"bit {number} of the checksum"
        article = "" if thing.kind in (ThingKind.RESERVED, ThingKind.NOTHING) else "the "
        return f"bit {number} of {article}{thing.title}"
    if item is not None and item.alphabet is not None:
        return f"bit {number} of letter {claim.element + 1}"
    if field.kind in _UNDIVIDED:
        return f"bit {bit} of byte {claim.element} of `{field.name}`"
    if item is not None and item.coding is not Coding.PLAIN:
        return f"bit {number} of the stored number"
    return _number_bit(field, number, claim.width)


def _number_bit(field: Field, number: int, width: int) -> str:
    """Return what bit `number` (0 the lowest) of an element that takes `width` bits means."""
    last = width - 1
    if field.kind is Kind.FLAGS:
        names = {b: name for name, b in field.members}
        return f"flag `{names[number]}`" if number in names else "a flag without a name"
    if field.scalar.form is ScalarForm.FLOAT:
        mantissa = {2: 10, 4: 23, 8: 52}[field.scalar.size]
        if number == last:
            return "the sign"
        return (f"bit {number} of the fraction" if number < mantissa
                else f"bit {number - mantissa} of the exponent")
    step = _step(field, number)
    if field.scalar.form is ScalarForm.SIGNED and number == last:
        return f"the sign: set, it takes {step} off"
    if field.kind is Kind.BOOL:
        return "true or false" if number == 0 else "always 0"
    if field.kind is Kind.ENUM:
        return f"{1 << number} of the member's number"
    return f"{step} of the value"


def _step(field: Field, number: int) -> str:
    size = Decimal(1 << number) * (field.scale if field.kind is Kind.INTEGER else 1)
    unit = f" {field.unit}" if field.unit else ""
    days = " days" if field.kind is Kind.DATE else ""
    return f"{show_number(size.normalize())}{unit}{days}"


# ---- A name -------------------------------------------------------------------------------------


def _named(places: Places, name: str, found: Sequence[Location]) -> Iterator[str]:
    """Yield where something lies in each block of its group; with a dump what stands there, and
    which slot has the newest record."""
    size, block = len(place_bytes(found[0].place)), found[0].block
    what = "slot" if block.number is not None else "block"
    blocks = f" in each of {plural(len(found), what)}" if len(found) > 1 else ""
    yield f"{printable(name)}: group `{block.names[0]}`, {plural(size, 'byte')}{blocks}"
    newest = any(at.block.newest for at in found)
    for at in found:
        if newest and not at.block.newest and len(found) > _MOST_SLOTS:
            continue
        shown = f"  {_stands(places, at)}" if places.data is not None else ""
        mark = "  <- newest" if at.block.newest else _damage(places, at)
        yield f"  {at.block.title}  {_place(at.place)}{shown}{mark}"


def _damage(places: Places, at: Location) -> str:
    """Return that the slot holds no sound record, so that nothing in it is taken for a value."""
    verdict = places.region_at(place_bytes(at.place)[0]).verdict
    if verdict is None or verdict.slot.state not in (SlotState.DAMAGED, SlotState.FOREIGN):
        return ""
    return f"  the slot is {verdict.kind.value}"


def _place(place: Place) -> str:
    """Return a place as a schema spells it; elements one after another as one stretch."""
    addresses = place_bytes(place)
    whole = all(bits.width == 8 for bits in place) and len(place) == len(addresses)
    if whole and addresses[-1] - addresses[0] + 1 == len(addresses) > 1:
        return address_range(addresses[0], addresses[-1] + 1)
    return show_place(place)


def _stands(places: Places, at: Location) -> str:
    """Return the bytes at a place, and what they say."""
    things = [places.thing(at.block, field, at.name) for field in at.fields]
    state = things[0].state
    if state in _ABSENT:
        return _ABSENT[state]
    if things[0].kind is ThingKind.CHECK:
        return thing_text(things[0])
    addresses = place_bytes(at.place)
    data = places.bytes_at(addresses)
    if data is None:
        return "not in the dump"
    text = data.hex(" ").upper() if all(bits.width == 8 for bits in at.place) else ""
    if at.bit:
        return f"{data.hex().upper()}, the bit is {data[0] >> at.place[0].low & 1}"
    if state is ThingState.UNREAD:
        return f"{text}; not all of {at.name} is in the dump"
    if state is ThingState.ERASED:
        return f"{text}  erased".lstrip()
    if state is ThingState.EARLY:
        return f"{text}  not in revision {things[0].revision}"
    if at.element is not None:
        things = [_element(things[0], at.element)]
    return f"{text}  {'; '.join(map(thing_text, things))}".strip()
