"""Record bodies: the raws of a group's fields to bytes and back (FORMAT.md, 5).

Deals in raws only. Must not know physical units (see `schema.to_raw`) or judge limits: a body
from a dump may hold anything.
"""

from __future__ import annotations

import math
import struct
from typing import cast

from paramstore.core.format import ERASED
from paramstore.core.scalars import SCALARS, GroupRaws, Raw, Scalar
from paramstore.layout.plan import Reserved, Ring
from paramstore.record.shapes import CodecError, Shape, payload_shape
from paramstore.schema.breaches import filled_text
from paramstore.schema.model import Kind

__all__ = ["decode_body", "default_payload", "element_bytes", "encode_body", "with_values"]


def encode_body(ring: Ring, values: GroupRaws) -> bytes:
    """Return the `ring.body_bytes` bytes of a body.

    `values` maps field names (`name`, or `name.x` and `name.y` of a curve) to as many raws as the
    field has elements; a field that is missing takes its default. Room is filled with FF.
    A text is filled with 00 from its first 00 on; reserved stretches hold their defaults. Raises
    CodecError for an unknown field, a wrong number of elements, a raw that does not fit its scalar,
    and NaN and infinities, which the format excludes.
    """
    raws: dict[str, tuple[Raw, ...]] = {}
    for placed in ring.fields:
        field = placed.field
        elements = values.get(field.name, field.default)
        if len(elements) != field.count:
            raise CodecError(f"{len(elements)} elements given, {field.count} needed",
                             field.name, placed.offset)
        if any(isinstance(e, float) and not math.isfinite(e) for e in elements):
            raise CodecError("NaN and infinite values are not stored", field.name, placed.offset)
        raws[field.name] = filled_text(elements) if field.kind is Kind.TEXT else elements
    for name in values:
        if name not in raws:
            raise CodecError(f"group `{ring.group.name}` has no field `{name}`")
    for reserved in ring.reserved:
        raws[_reserved_name(reserved)] = tuple(reserved.default)
    payload = _shape(ring).build(raws)
    return payload.ljust(ring.body_bytes, bytes([ERASED]))


def decode_body(ring: Ring, body: bytes, revision: int | None = None) -> dict[str, tuple[Raw, ...]]:
    """Return the raws of every field by name, in schema order.

    A field that records of `revision` (default: that of the ring) do not hold has its default.
    Bytes past the fields are ignored. Floats may be NaN or infinite and values outside their
    limits: the bytes decide. Raises CodecError if `body` is shorter than the fields.
    """
    parts = cast("GroupRaws", _shape(ring).parse(body))  # a payload has arrays only
    held = {p.field.name for p in ring.fields if revision is None or p.since <= revision}
    return {f.name: parts[f.name] if f.name in held else f.default for f in ring.group.fields}


def with_values(ring: Ring, body: bytes, revision: int, values: GroupRaws) -> bytes:
    """Return a body with other values in all fields that records of `revision` hold, all else as
    it was."""
    changed, new = bytearray(body), encode_body(ring, values)
    for placed in ring.fields:
        if placed.since <= revision:
            span = slice(placed.offset, placed.offset + placed.field.size)
            changed[span] = new[span]
    return bytes(changed)


def default_payload(ring: Ring) -> bytes:
    """Return the bytes of all fields with their defaults, without room."""
    return encode_body(ring, {})[:ring.payload_bytes]


def element_bytes(scalar: Scalar, value: Raw) -> bytes:
    """Return one raw as it lies on the EEPROM. Raises CodecError if it does not fit."""
    try:
        return scalar.pack(value)
    except (struct.error, OverflowError) as error:
        raise CodecError(f"{value} does not fit in {scalar.name}") from error


def _shape(ring: Ring) -> Shape:
    return payload_shape(tuple(
        (_reserved_name(s), SCALARS["u8"], s.size) if isinstance(s, Reserved)
        else (s.field.name, s.field.scalar, s.field.count)
        for s in ring.stretches
    ))


def _reserved_name(reserved: Reserved) -> str:
    """Return a name that no field has."""
    return f"byte {reserved.offset}"
