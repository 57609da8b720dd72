"""Bytes with their meaning: an annotated hex dump, one place explained, and what differs.

Must not decide what bytes mean (see `decode.meaning`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any

from paramstore.decode.differ import ByteRange, Difference
from paramstore.decode.examine import Examination
from paramstore.decode.meaning import Location, Meaning, bit_meaning, meaning_of
from paramstore.decode.slots import SlotVerdict
from paramstore.format import ERASED
from paramstore.layout.plan import Plan, Ring
from paramstore.report.dump import ORIGIN_TINTS, parameter_text
from paramstore.report.findings import Tint, no_tint
from paramstore.report.tables import printable
from paramstore.schema.model import Group, Kind
from paramstore.schema.quantity import format_value

__all__ = ["bytes_text", "difference_data", "difference_text", "hex_rows", "location_text",
           "meaning_text"]

_ROW = 16
_HEX_WIDTH = 3 * _ROW - 1


def bytes_text(found: Examination, first: int = 0, end: int | None = None,
               tint: Tint = no_tint) -> str:
    """Return a hex dump of `first` to before `end`: one line or more for each thing, and what it
    is; stretches that are erased are only named."""
    data = found.contents.image
    end = min(len(data), found.plan.part.capacity) if end is None else min(end, len(data))
    verdicts = {v.slot.address: v for vs in found.slots.values() for v in vs}
    lines: list[str] = []
    at, heading = first, ""
    while at < end:
        meaning = meaning_of(found.plan, at)
        erased = _erased_until(found.plan, data, meaning, end)
        head = _heading(meaning, verdicts) if erased == at else (
            meaning.ring.group.name if meaning.ring else meaning.what)
        if head != heading:
            lines.append(tint(head, "fact"))
            heading = head
        if erased > at:
            lines.append(f"{at:05X}  {tint(f'erased to {erased - 1:05X}', 'place')}")
            at = erased
            continue
        past = min(end, _past(meaning))
        show = partial(_byte, data, meaning, verdicts, tint)
        lines += hex_rows(data, at, past, _note(data, meaning), show)
        at = past
    return "\n".join(lines) + "\n"


def _past(meaning: Meaning) -> int:
    """Return the address past the thing that a byte belongs to; an array goes in one piece."""
    if meaning.field is None or meaning.ring is None or meaning.slot is None:
        return meaning.first + meaning.size
    placed = next(p for p in meaning.ring.fields if p.field is meaning.field)
    return meaning.ring.address(meaning.slot) + 5 + placed.offset + placed.field.size


def _erased_until(plan: Plan, data: bytes, meaning: Meaning, end: int) -> int:
    """Return the address past a slot or free pages from here on that are FF throughout."""
    at = meaning.address
    while at < end:
        here = meaning_of(plan, at)
        if here.ring is not None and here.slot is not None:
            start = here.ring.address(here.slot)
            stop = start + here.ring.slot_pages * here.ring.page_bytes
        elif here.what == "free":
            start, stop = here.first, here.first + here.size
        else:
            return at
        stop = min(stop, end)
        same = (here.ring, here.what == "free") == (meaning.ring, meaning.what == "free")
        if not same or at != max(start, meaning.address) or data.count(
                ERASED, at, stop) < stop - at:
            return at
        at = stop
    return at


def _heading(meaning: Meaning, verdicts: dict[int, SlotVerdict]) -> str:
    if meaning.copy is not None:
        return f"label copy {meaning.copy}"
    if meaning.ring is None or meaning.slot is None:
        return meaning.what
    verdict = verdicts.get(meaning.ring.address(meaning.slot))
    state = f": {verdict.kind.value}" if verdict else ""
    return f"{meaning.ring.group.name}, slot {meaning.slot}{state}"


def hex_rows(data: bytes, at: int, past: int, note: str,
             show: Callable[[int], str]) -> Iterator[str]:
    """Yield the lines of a hex dump of `at` to before `past`, the note beside the first one;
    `show` returns the byte at an address, coloured."""
    for row in range(at, past, _ROW):
        stop = min(row + _ROW, past)
        shown = " ".join(show(address) for address in range(row, stop))
        blank = " " * (_HEX_WIDTH - (3 * (stop - row) - 1))
        text = f"  {note}" if row == at else ""
        yield f"{row:05X}  {shown}{blank if text else ''}{text}"


def _byte(data: bytes, meaning: Meaning, verdicts: dict[int, SlotVerdict], tint: Tint,
          address: int) -> str:
    text = f"{data[address]:02X}"
    if meaning.ring is None or meaning.slot is None:
        return tint(text, "also") if meaning.copy is not None else text
    start = meaning.ring.address(meaning.slot)
    verdict = verdicts.get(start)
    if verdict is not None and verdict.tear is not None and address - start < len(
            verdict.tear.origins):
        return tint(text, ORIGIN_TINTS[verdict.tear.origins[address - start]])
    if verdict is not None and not verdict.kind.sound:
        return tint(text, "error")
    if meaning.field is None:
        return tint(text, "place")
    return text


def _note(data: bytes, meaning: Meaning) -> str:
    """Return what a thing is, and its value where it has one."""
    field, whole = meaning.field, data[meaning.first:meaning.first + meaning.size]
    if field is None or meaning.ring is None or meaning.slot is None:
        if meaning.what in ("sequence number", "revision", "release") and len(
                whole) == meaning.size:
            return f"{meaning.what} {int.from_bytes(whole, 'little')}"
        if meaning.what == "store name":
            return f"{meaning.what} {printable(whole.rstrip(bytes(1)).decode('utf-8', 'replace'))}"
        return meaning.what
    size = field.scalar.size
    start = meaning.first if field.kind in (Kind.TEXT, Kind.BYTES) else (
        meaning.first - meaning.element * size)
    raws = tuple(field.scalar.unpack(data[a:a + size])
                 for a in range(start, start + field.size, size) if a + size <= len(data))
    if len(raws) < field.count:
        return field.name
    return f"{field.name}  {printable(format_value(field, raws))}"


# ---- One place ----------------------------------------------------------------------------------


def meaning_text(meaning: Meaning, bit: int | None = None,
                 found: Examination | None = None) -> str:
    """Return what a byte, or one bit of it, is for; with a dump also what stands there."""
    place = f"0x{meaning.address:04X}"
    if meaning.copy is not None:
        where = f"label copy {meaning.copy}"
    elif meaning.ring is not None:
        where = f"group `{meaning.ring.group.name}`, slot {meaning.slot}"
    else:
        where = ""
    of = f"byte {meaning.byte} of {meaning.size} of " if meaning.size > 1 else ""
    lines = [f"{place}: {where + ', ' if where else ''}{of}{meaning.what}"]
    if bit is not None:
        lines.append(f"  bit {bit}: {bit_meaning(meaning, bit)}")
    if found is not None and meaning.address < len(found.contents.image):
        value = found.contents.image[meaning.address]
        shown = f"  holds 0x{value:02X}"
        if bit is not None:
            shown += f", the bit is {value >> bit & 1}"
        lines.append(f"{shown}; {_note(found.contents.image, meaning)}")
        verdicts = found.slots.get(meaning.ring.group.name) if meaning.ring else None
        if verdicts and meaning.slot is not None:
            verdict = verdicts[meaning.slot]
            lines.append(f"  the slot is {verdict.kind.value}"
                         + (f": {verdict.reason}" if verdict.reason else ""))
    return "\n".join(lines) + "\n"


def location_text(name: str, ring: Ring, places: Sequence[Location],
                  found: Examination | None = None) -> str:
    """Return where a parameter lies in each slot, the newest one marked if there is a dump."""
    newest = found.contents.group(ring.group.name).newest if found else None
    lines = [f"{printable(name)}: group `{ring.group.name}`, {places[0].size} byte"
             f"{'s' * (places[0].size > 1)} in each of {ring.slots} slots"]
    for place in places:
        if newest is not None and place.slot != newest.number and len(places) > 8:
            continue
        end = f" to 0x{place.address + place.size - 1:04X}" if place.size > 1 else ""
        bit = f", bit {place.bit}" if place.bit is not None else ""
        mark = "  <- newest" if newest is not None and place.slot == newest.number else ""
        shown = ""
        if found is not None:
            data = found.contents.image[place.address:place.address + place.size]
            shown = f"  {data.hex(' ').upper()}"
        lines.append(f"  slot {place.slot}  0x{place.address:04X}{end}{bit}{shown}{mark}")
    return "\n".join(lines) + "\n"


# ---- Differences --------------------------------------------------------------------------------


def difference_text(values: Sequence[Difference], ranges: Sequence[ByteRange],
                    tint: Tint = no_tint) -> str:
    """Return what differs: parameters first, then bytes."""
    lines = []
    if values:
        lines.append("Parameters")
        for d in values:
            before, after = (_side(d, side) for side in (d.before, d.after))
            lines.append(f"  {d.group.name}.{d.parameter.name}  {tint(before, 'place')} -> "
                         f"{tint(after, 'mend')}")
    if ranges:
        lines += [""] * bool(lines) + ["Bytes"]
        for r in ranges:
            place = f"  {r.meaning.address:05X}  {_place(r.meaning)}"
            lines.append(place)
            for at in range(0, max(len(r.before), len(r.after)), _ROW):
                lines.append(f"    {tint(r.before[at:at + _ROW].hex(' ').upper() or '-', 'place')}"
                             f" -> {tint(r.after[at:at + _ROW].hex(' ').upper() or '-', 'mend')}")
    return "\n".join(lines) + "\n" if lines else "no difference\n"


def _place(meaning: Meaning) -> str:
    if meaning.ring is not None:
        return f"{meaning.ring.group.name}, slot {meaning.slot}: {meaning.what}"
    return f"label copy {meaning.copy}: {meaning.what}" if meaning.copy is not None else (
        meaning.what)


def _side(difference: Difference, raws: dict[str, Any] | None) -> str:
    if raws is None:
        return "no record" if isinstance(difference.group, Group) else "nothing"
    return parameter_text(difference.parameter, raws)


def difference_data(values: Sequence[Difference], ranges: Sequence[ByteRange]) -> dict[str, Any]:
    """Return what differs as plain data for JSON."""
    return {
        "parameters": [
            {"group": d.group.name, "parameter": d.parameter.name,
             "before": None if d.before is None else parameter_text(d.parameter, d.before),
             "after": None if d.after is None else parameter_text(d.parameter, d.after)}
            for d in values
        ],
        "bytes": [
            {"address": r.meaning.address, "what": _place(r.meaning), "before": r.before.hex(),
             "after": r.after.hex()} for r in ranges
        ],
    }
