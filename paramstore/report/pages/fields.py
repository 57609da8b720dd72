"""What a field starts with, in words; and the map of a record.

The same for every page that shows records. Must not know a dump.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from paramstore.core.words import plural
from paramstore.inspect.meaning import slot_parts
from paramstore.layout.plan import PlacedField, Ring
from paramstore.report.pages.strips import Bead
from paramstore.schema.model import Field
from paramstore.schema.quantity import format_value

__all__ = ["RecordPart", "default_text", "record_beads", "record_parts"]


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


def default_text(field: Field) -> str:
    """Return what a field starts with."""
    return format_value(field, field.default)
