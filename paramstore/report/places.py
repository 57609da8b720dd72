"""One place explained, and what differs between two dumps, in text and as data.

Must not decide what bytes mean (see `decode.meaning`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from paramstore.core.text import JsonObject, printable
from paramstore.core.words import plural
from paramstore.image.contents import SlotState, gaps_in
from paramstore.inspect.differ import ByteRange, Difference
from paramstore.inspect.examination import Absence, ByteOwner, StoredValue
from paramstore.inspect.meaning import Location, Meaning, bit_meaning, meaning_of
from paramstore.inspect.store import StoreExamination
from paramstore.layout.plan import Ring
from paramstore.report.bytes import number_text, value_text
from paramstore.report.dump import parameter_text
from paramstore.report.findings import Style, no_style
from paramstore.report.image import stored_data, stored_remark
from paramstore.schema.model import Field, Kind

__all__ = ["difference_data", "difference_text", "equal_text", "location_text",
           "meaning_text"]

_ROW = 16
_SOME = 3
"""Places that are named where only the bytes differ."""


def meaning_text(meaning: Meaning, bit: int | None = None,
                 found: StoreExamination | None = None) -> str:
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
        if gaps_in(found.dump.gaps, meaning.address, meaning.address + 1):
            lines.append("  not in the dump")
        else:
            lines.append(shown + _value(found, meaning))
        verdicts = found.slots.get(meaning.ring.group.name) if meaning.ring else None
        if verdicts and meaning.slot is not None:
            verdict = verdicts[meaning.slot]
            lines.append(f"  the slot is {verdict.kind.value}"
                         + (f": {verdict.reason}" if verdict.reason else ""))
    return "\n".join(lines) + "\n"


def _value(found: StoreExamination, meaning: Meaning) -> str:
    """Return the value of the whole that a byte belongs to, "" if it has none."""
    image, field = found.contents.image, meaning.field
    whole = image[meaning.first:meaning.first + meaning.size]
    if len(whole) < meaning.size or gaps_in(found.dump.gaps, meaning.first,
                                            meaning.first + meaning.size):
        return ""
    if meaning.ring is not None and meaning.slot is not None and (
            found.contents.group(meaning.ring.group.name).slots[meaning.slot].state
            is SlotState.ERASED):
        return "; erased"
    if field is None:
        number = number_text(meaning.what, whole)
        return f"; {number}" if number else ""
    if meaning.ring is not None and (early := _early(found, meaning.ring, meaning.slot, field)):
        return f"; {early}"
    if field.kind not in (Kind.TEXT, Kind.BYTES) and meaning.size < field.size:
        field = replace(field, count=1, array=False)
    return f"; {meaning.what}  {value_text(field, whole)}"


def location_text(name: str, ring: Ring, places: Sequence[Location],
                  found: StoreExamination | None = None) -> str:
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
        shown = f"  {_stands(found, ring, place)}" if found is not None else ""
        lines.append(f"  slot {place.slot}  0x{place.address:04X}{end}{bit}{shown}{mark}")
    return "\n".join(lines) + "\n"


def _early(found: StoreExamination, ring: Ring, slot: int | None, field: Field) -> str:
    """Return that the record in a slot is of a revision that does not hold a field yet, or ""."""
    verdicts = found.slots.get(ring.group.name)
    revision = verdicts[slot].revision if verdicts and slot is not None else None
    return f"not in revision {revision}" if (
        revision is not None and ring.place(field).since > revision) else ""


def _stands(found: StoreExamination, ring: Ring, place: Location) -> str:
    """Return the bytes at a place and, where they are those of values, what they say."""
    end = place.address + place.size
    data = found.contents.image[place.address:end]
    if len(data) < place.size or gaps_in(found.dump.gaps, place.address, end):
        return "not in the dump"
    text = data.hex(" ").upper()
    slots = found.contents.group(ring.group.name).slots
    if place.slot is not None and slots[place.slot].state is SlotState.ERASED:
        return f"{text}  erased"
    if place.slot is None:
        return text
    if place.bit is not None:
        return f"{text}, the bit is {data[0] >> place.bit & 1}"
    values, at = [], place.address
    while at < end:
        meaning = meaning_of(found.plan, at)
        if meaning.field is None:
            return text
        if early := _early(found, ring, place.slot, meaning.field):
            return f"{text}  {early}"
        # The elements of an array that are wanted are told together.
        past = at + meaning.size
        while past < end and (after := meaning_of(found.plan, past)).field is meaning.field:
            past += after.size
        field, count = meaning.field, (past - at) // meaning.field.scalar.size
        if count < field.count:
            field = replace(field, count=count, array=count > 1)
        values.append(value_text(field, found.contents.image[at:past]))
        at = past
    return f"{text}  {'; '.join(values)}"


# ---- Differences --------------------------------------------------------------------------------


def difference_text(values: Sequence[Difference], ranges: Sequence[ByteRange],
                    style: Style = no_style) -> str:
    """Return what differs: parameters first, then bytes."""
    lines = []
    if values:
        lines.append("Parameters")
        for d in values:
            before, after = (_side(d, side) for side in (d.before, d.after))
            lines.append(f"  {d.group.name}.{d.parameter.name}  {style(before, 'place')} -> "
                         f"{style(after, 'mend')}")
    if ranges:
        lines += [""] * bool(lines) + ["Bytes"]
        for r in ranges:
            place = f"  {r.address:05X}  {_place(r.owner)}"
            lines.append(place)
            for at in range(0, max(len(r.before), len(r.after)), _ROW):
                before, after = (side[at:at + _ROW].hex(" ").upper() if side else "not read"
                                 for side in (r.before, r.after))
                lines.append(f"    {style(before, 'place')} -> {style(after, 'mend')}")
    return "\n".join(lines) + "\n" if lines else "no difference\n"


def equal_text(ranges: Sequence[ByteRange]) -> str:
    """Return what there is to say of two dumps with the same values: where their bytes differ, and
    how many only one of them has."""
    if not ranges:
        return "no difference\n"
    said = []
    both = [r for r in ranges if r.before and r.after]
    if both:
        first = [f"0x{r.address:04X} ({_place(r.owner)})" for r in both[:_SOME]]
        more = f" and {plural(len(both) - _SOME, 'more place')}" if len(both) > _SOME else ""
        said.append(f"bytes differ at {'; '.join(first)}{more}")
    single = sum(max(len(r.before), len(r.after)) for r in ranges if not (r.before and r.after))
    if single:
        said.append(f"only one dump has {plural(single, 'byte')}")
    return f"values equal, {', and '.join(said)}: --bytes shows them\n"


def _place(owner: ByteOwner) -> str:
    names = ", ".join(owner.names) or "not described"
    return f"{owner.area}: {names}" if owner.area else names


def _side(difference: Difference, side: StoredValue) -> str:
    if isinstance(side.raws, Absence):
        return side.raws.value
    text = parameter_text(difference.parameter, side.raws)
    return f"{text} ({stored_remark(side.reset, difference.parameter)})" if side.reset else text


def difference_data(values: Sequence[Difference], ranges: Sequence[ByteRange]) -> JsonObject:
    """Return what differs as plain data for JSON. `absent` says why a value is null, `stored` what
    stands on the part where the default is served."""
    parameters = []
    for d in values:
        sides = {"before": d.before, "after": d.after}
        parameters.append({
            "group": d.group.name, "parameter": d.parameter.name,
            **{name: None if isinstance(side.raws, Absence)
               else parameter_text(d.parameter, side.raws) for name, side in sides.items()},
            "absent": {name: side.raws.value for name, side in sides.items()
                       if isinstance(side.raws, Absence)},
            "stored": {name: stored_data(side.reset, d.parameter)
                       for name, side in sides.items() if side.reset},
        })
    return {
        "parameters": parameters,
        "bytes": [
            {"address": r.address, "what": _place(r.owner),
             "before": r.before.hex() or None, "after": r.after.hex() or None} for r in ranges
        ],
    }
