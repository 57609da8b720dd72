"""Bytes of a fixed layout with their meaning: a hex dump, one place explained, where one lies.

Must not decide what bytes mean (see `decode.fixed_meaning`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from paramstore.core.text import printable
from paramstore.core.words import plural
from paramstore.image.contents import gaps_in
from paramstore.inspect.fixed import FixedExamination, item_state, spoilt_items
from paramstore.inspect.fixed_meaning import Owner, bit_text, owners_of
from paramstore.report.bytes import HEX_ROW, hex_line
from paramstore.report.findings import Style, no_style
from paramstore.report.fixed import UNCHECKED, check_text, item_text
from paramstore.schema.fixed.found import Copy, FixedContents, GroupPresence
from paramstore.schema.fixed.model import (
    Check,
    FixedGroup,
    FixedLayout,
    Place,
    PlacedParameter,
    place_bytes,
    show_place,
)

__all__ = ["ByteRun", "byte_runs", "fixed_bytes_text", "fixed_location_text",
           "fixed_meaning_text", "thing_text"]


@dataclass(frozen=True, slots=True)
class ByteRun:
    """Bytes from `first` to before `end` that belong to the same things: (group, name) of each,
    the highest bits first. `told` says what the bytes are if nothing has them."""

    first: int
    end: int
    things: tuple[tuple[str, str], ...]
    told: str


def byte_runs(found: FixedExamination, first: int = 0, end: int | None = None) -> Iterator[ByteRun]:
    """Yield the runs of bytes from `first` to before `end`."""
    data = found.contents.image
    end = len(data) if end is None else min(end, len(data))
    owners, told = found.owners, _told(found.contents)

    def meaning(address: int) -> tuple[tuple[tuple[str, str], ...], str]:
        things = tuple(dict.fromkeys((o.group.name, o.thing.name) for o in owners.get(address, ())))
        return things, "" if things else told.get(address, "not described")

    at = max(first, 0)
    while at < end:
        past, here = at + 1, meaning(at)
        while past < end and meaning(past) == here:
            past += 1
        yield ByteRun(at, past, *here)
        at = past


def fixed_bytes_text(found: FixedExamination, first: int = 0, end: int | None = None,
                     style: Style = no_style) -> str:
    """Return a hex dump of `first` to before `end`: a line or more for each run of bytes that
    belong to the same things, and what these are."""
    data, colours = found.contents.image, _colours(found)
    lines: list[str] = []
    for run in byte_runs(found, first, end):
        parts = {colours.get(thing, "") for thing in run.things} - {""}
        colour = "error" if "error" in parts else parts.pop() if parts else ""
        note = "; ".join(f"{group}.{name}  {thing_text(found, group, name)}".rstrip()
                         for group, name in run.things) or run.told
        for row in range(run.first, run.end, HEX_ROW):
            styles = [colour] * (min(row + HEX_ROW, run.end) - row)
            lines.append(hex_line(data, row, styles, note if row == run.first else "", style,
                                  gaps=found.dump.gaps))
    return "\n".join(lines) + "\n" if lines else ""


def _told(contents: FixedContents) -> dict[int, str]:
    """Return what the bytes of conditions say, by address: which groups are there."""
    there: dict[int, list[str]] = {}
    absent: dict[int, list[str]] = {}
    for found in contents.groups:
        condition, side = found.group.condition, (
            there if found.presence is GroupPresence.THERE else absent)
        for address in place_bytes(condition.place) if condition else ():
            side.setdefault(address, []).append(found.group.name)
    told = {a: f"not there: {', '.join(names[:4])}{', ...' * (len(names) > 4)}"
            for a, names in absent.items()}
    return told | {a: f"there: {', '.join(names)}" for a, names in there.items()}


def thing_text(found: FixedExamination, group: str, name: str) -> str:
    """Return what stands in the dump for a parameter or a checksum; "" if nothing does."""
    contents = found.contents.group(group)
    for result in contents.checks:
        if result.check.name == name:
            return check_text(result)
    for item in contents.group.items:
        if item.name == name:
            spoilt = spoilt_items(found.contents, contents.group)
            return item_text(contents, item, name in spoilt)
    unchecked = contents.presence is GroupPresence.THERE and any(
        check.name == name for check in contents.group.checks)
    return UNCHECKED if unchecked else ""


def _colours(found: FixedExamination) -> dict[tuple[str, str], str]:
    """Return the colour of each thing: checksums as places, what is wrong as errors."""
    colours = {}
    for contents in found.contents.groups:
        for result in contents.checks:
            colours[contents.group.name, result.check.name] = (
                "place" if result.right or contents.copy is Copy.ERASED else "error")
        for item in contents.group.items:
            if item_state(contents, item).wrong:
                colours[contents.group.name, item.name] = "error"
    return colours


# ---- One place ----------------------------------------------------------------------------------


def fixed_meaning_text(layout: FixedLayout, address: int, bit: int | None = None,
                       found: FixedExamination | None = None) -> str:
    """Return what a byte, or one bit of it, is for; with a dump also what stands there."""
    there, others = owners_of(layout, address, found.contents if found else None)
    if bit is not None:
        there, others = ([o for o in some if o.bits.low <= bit < o.bits.low + o.bits.width]
                         for some in (there, others))
    place = f"0x{address:04X}" + ("" if bit is None else f".{bit}")
    lines = [place if there else f"{place}: not described"]
    if found is not None and gaps_in(found.dump.gaps, address, address + 1):
        lines.append("  not in the dump")
    elif found is not None and address < len(found.contents.image):
        value = found.contents.image[address]
        lines.append(f"  holds 0x{value:02X}" + (
            "" if bit is None else f", the bit is {value >> bit & 1}"))
    for owner in there:
        lines.append(f"  {_bits(owner)}{_of(owner)}{_when(owner)}")
        if bit is not None:
            lines.append(f"    {bit_text(owner, bit)}")
        if found is not None:
            lines.append(f"    {printable(thing_text(found, owner.group.name, owner.thing.name))}")
    lines += [f"  {_bits(owner)}{_of(owner)}, which is not there" for owner in others]
    over = [f"{g.name}.{c.name}" for g in layout.groups for c in g.checks if address in c.over]
    if over:
        lines.append(f"  checked by {', '.join(dict.fromkeys(over))}")
    return "\n".join(lines) + "\n"


def _bits(owner: Owner) -> str:
    bits = owner.bits
    if bits.width == 8:
        return ""
    high = bits.low + bits.width - 1
    return f"bit {high}: " if bits.width == 1 else f"bits {high} to {bits.low}: "


def _of(owner: Owner) -> str:
    """Return which part of what an owner has here."""
    name = f"{owner.group.name}.{owner.name}"
    if len(owner.place) == 1:
        return name
    end = owner.lowest + owner.bits.width - 1
    return f"bits {end} to {owner.lowest} of {name}" if end > owner.lowest else (
        f"bit {end} of {name}")


def _when(owner: Owner) -> str:
    return ", if that is there" if owner.present is None else ""


def fixed_location_text(name: str,
                        places: Sequence[tuple[FixedGroup, PlacedParameter | Check, Place]],
                        found: FixedExamination | None = None) -> str:
    """Return where a parameter lies in each block of its group, with a dump also its value."""
    group, thing, _ = places[0]
    lines = [f"{printable(name)}: {thing.name} of group `{group.declared}`"
             + (f", {plural(len(places), 'block')}" if len(places) > 1 else "")]
    for each, _, place in places:
        shown = f"  {_stands(found, each, thing, place)}" if found is not None else ""
        lines.append(f"  {each.name}  {show_place(place)}{printable(shown)}")
    return "\n".join(lines) + "\n"


def _stands(found: FixedExamination, group: FixedGroup, thing: PlacedParameter | Check,
            place: Place) -> str:
    """Return what stands at a place; of a value that is not whole the bytes there are of it."""
    contents, at = found.contents.group(group.name), place_bytes(place)
    whole = thing.name in contents.read
    there = at[-1] < len(found.contents.image) and not any(
        gaps_in(found.dump.gaps, a, a + 1) for a in at)
    parameter_there = (isinstance(thing, PlacedParameter)
                       and contents.presence is GroupPresence.THERE)
    if parameter_there and there and not whole:
        shown = bytes(found.contents.image[a] for a in at).hex(" ").upper()
        return f"{shown}; not all of {thing.name} is in the dump"
    return thing_text(found, group.name, thing.name) or contents.presence.value
