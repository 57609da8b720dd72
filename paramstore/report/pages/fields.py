"""What a field may hold and starts with, in words; and the map of a record.

The same for every page that shows records. Must not know a dump.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from paramstore.decode.meaning import slot_parts
from paramstore.layout.plan import PlacedField, Ring
from paramstore.report.pages.strips import Bead
from paramstore.scalars import ScalarForm
from paramstore.schema.element import show_element
from paramstore.schema.model import Field, Kind
from paramstore.schema.quantity import format_value, physical_number
from paramstore.schema.words import plural

__all__ = ["RecordPart", "allowed_text", "default_text", "record_beads", "record_parts"]

_MOST_MEMBERS = 12


@dataclass(frozen=True, slots=True)
class RecordPart:
    """Something in a slot: `offset` and `size` in bytes, from the slot's first byte on. `number`
    counts the fields from 1, 0 for what is none. `index` counts everything."""

    index: int
    offset: int
    size: int
    name: str
    number: int = 0
    placed: PlacedField | None = None

    @property
    def look(self) -> str:
        """What it is, as a class of the style sheet."""
        if self.placed is not None:
            return "field even" if self.number % 2 == 0 else "field"
        if self.name.startswith("reserved"):
            return "reserved"
        return {"room": "room", "behind the record": "behind"}.get(self.name, "frame")


def record_parts(ring: Ring) -> tuple[RecordPart, ...]:
    """Return everything in a slot of a ring that has bytes, in order."""
    parts, number = [], 0
    for index, (offset, size, name, placed) in enumerate(p for p in slot_parts(ring) if p[1]):
        number += placed is not None
        parts.append(RecordPart(index, offset, size, name, number if placed else 0, placed))
    return tuple(parts)


def record_beads(ring: Ring, key: str) -> Iterator[Bead]:
    """Yield the parts of a slot as beads of bytes; `key` and the index of a part join them with
    whatever else shows that part."""
    short = {"sequence number": "seq", "revision": "r", "CRC of the record": "CRC"}
    for part in record_parts(ring):
        text = short.get(part.name, part.name)
        if part.name.startswith("reserved"):
            text = "reserved"
        yield Bead(part.offset, part.size, text, str(part.number or short.get(part.name, "")),
                   f"{part.name}: {plural(part.size, 'byte')} from offset {part.offset}",
                   part.look, f"{key}.{part.index}")


def allowed_text(field: Field) -> str:
    """Return which values a field may have, with its unit."""
    match field.kind:
        case Kind.BOOL:
            return "false or true"
        case Kind.TEXT:
            return f"up to {plural(field.count, 'byte')} of UTF-8"
        case Kind.BYTES:
            return plural(field.count, "byte")
        case Kind.ENUM | Kind.FLAGS:
            names = [name for name, _ in field.members]
            more = len(names) - _MOST_MEMBERS
            shown = ", ".join(names[:_MOST_MEMBERS]) + (f" and {more} more" if more > 0 else "")
            return shown if field.kind is Kind.ENUM else f"any of {shown}"
        case _:
            return _range(field)


def _range(field: Field) -> str:
    ranges = field.limits.ranges or ((field.scalar.minimum, field.scalar.maximum),)
    unit = f" {field.unit}" if field.unit else ""
    texts = []
    for bounds in ranges:
        low, high = sorted(bounds, key=lambda raw: physical_number(field, raw))
        whole = field.scalar.form is ScalarForm.FLOAT
        open_low = whole and low == field.scalar.minimum
        open_high = whole and high == field.scalar.maximum
        if open_low and open_high:
            texts.append("any number")
        elif open_low or open_high:
            end = show_element(field, high if open_low else low)
            texts.append(f"{end} or {'less' if open_low else 'more'}")
        else:
            texts.append(f"{show_element(field, low)} to {show_element(field, high)}")
    rising = "; rising" if field.rising else ""
    return " or ".join(texts) + unit + rising


def default_text(field: Field) -> str:
    """Return what a field starts with."""
    return format_value(field, field.default)
