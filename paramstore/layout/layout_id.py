"""The layout id: one number that names where every field of a store lies (FORMAT.md, section 6).

It covers the id of the release before in the series, and so all of them: two layouts with the same
id have the same past, and read each other's bytes. Ranges, defaults, units and documentation
are not part of it, for they move no byte.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from decimal import Decimal

from paramstore.core.checksum import crc32c
from paramstore.core.format import FORMAT_VERSION
from paramstore.core.text import JsonObject
from paramstore.layout.plan import PlacedField, Ring
from paramstore.schema.part import Part

__all__ = ["layout_id", "layout_text", "plain_decimal"]


def layout_id(part: Part, rings: Iterable[Ring], before: int) -> int:
    """Return the layout id of these rings on this part, an unsigned 32-bit integer. `before` is
    that of the release before in the series, 0 if there is none."""
    return crc32c(layout_text(part, rings, before).encode())


def layout_text(part: Part, rings: Iterable[Ring], before: int) -> str:
    """Return the JSON text that the layout id is the CRC of."""
    layout = {
        "format": FORMAT_VERSION,
        "before": before,
        "capacity": part.capacity,
        "page": part.page,
        "rings": [_ring(r) for r in sorted(rings, key=lambda r: r.group.id)],
    }
    return json.dumps(layout, separators=(",", ":"))


def plain_decimal(value: Decimal) -> str:
    """Return the shortest notation of `value` without an exponent: 1, 0, 0.01, -40."""
    return format(value.normalize(), "f") if value else "0"


def _ring(ring: Ring) -> JsonObject:
    return {
        "group": ring.group.id,
        "first_page": ring.first_page,
        "slots": ring.slots,
        "slot_pages": ring.slot_pages,
        "body": ring.body_bytes,
        "fields": [_field(f) for f in ring.fields],
    }


def _field(placed: PlacedField) -> JsonObject:
    field = placed.field
    return {
        "name": field.name,
        "type": field.scalar.name,
        "count": field.count,
        "offset": placed.offset,
        "scale": plain_decimal(field.scale),
        "zero": plain_decimal(field.offset),
    }
