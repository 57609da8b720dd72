"""The byte shapes of FORMAT.md, and the fence around construct.

A shape is a table of parts; where each lies, how `struct` reads it and the construct that writes it
follow from the table. The only module that imports construct, when it first writes: loading it
takes longer than reading a whole dump. A test demands that `struct` reads what construct reads, for
any bytes. Errors leave this module as `CodecError`, with the name of the part and its byte offset.
Must not know CRCs, slots or limits.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, NamedTuple

from paramstore.core.errors import ParamstoreError
from paramstore.core.format import CRC_BYTES, LABEL_PARTS, RECORD_PARTS, FormatPart
from paramstore.core.scalars import SCALARS, Raw, Scalar

if TYPE_CHECKING:
    from construct import Construct

__all__ = ["CodecError", "Shape", "ShapePart", "label_shape", "payload_shape", "record_shape"]

PartValue = Raw | bytes | tuple[Raw, ...]
"""What a part of a shape holds: a number, plain bytes, or an array of numbers."""


class CodecError(ParamstoreError):
    """Values that have no bytes, or bytes too few for their shape.

    `field` is the name of the field (or part of a label or record) and `offset` where it begins,
    in bytes from the front of the shape; "" and 0 where the whole is meant.
    """

    def __init__(self, message: str, field: str = "", offset: int = 0) -> None:
        place = f"`{field}` at byte {offset}: " if field else ""
        super().__init__(place + message)
        self.message = message
        self.field = field
        self.offset = offset


class ShapePart(NamedTuple):
    """One part of a shape: a scalar, an array of `elements` of them, or `size` plain bytes."""

    name: str
    scalar: Scalar | None
    elements: int | None = None
    size: int = 0

    @property
    def bytes(self) -> int:
        """Bytes of the whole part."""
        if self.scalar is None:
            return self.size
        return self.scalar.size * (1 if self.elements is None else self.elements)

    @property
    def struct_format(self) -> str:
        """How `struct` reads it."""
        if self.scalar is None:
            return f"{self.size}s"
        count = "" if self.elements is None else self.elements
        return f"{count}{self.scalar.struct_code}"


class Shape:
    """A run of named parts of fixed size, without gaps. `places` says where each lies, `reader` is
    the `struct` of them all."""

    def __init__(self, *parts: ShapePart) -> None:
        self.parts = parts
        self.reader = struct.Struct("<" + "".join(part.struct_format for part in parts))
        self.size = self.reader.size
        self.places: dict[str, slice] = {}
        at = 0
        for part in parts:
            self.places[part.name] = slice(at, at + part.bytes)
            at += part.bytes

    def parse(self, data: bytes) -> dict[str, PartValue]:
        """Return the parts of `data` by name, arrays as tuples; bytes past them are ignored.

        Raises CodecError.
        """
        if len(data) < self.size:
            end = next(name for name, place in self.places.items() if place.stop > len(data))
            raise CodecError(f"the data ends after {len(data)} bytes", end,
                             self.places[end].start)
        values = self.reader.unpack_from(data)
        parsed: dict[str, PartValue] = {}
        at = 0
        for part in self.parts:
            if part.elements is None:
                parsed[part.name] = values[at]
                at += 1
            else:
                parsed[part.name] = values[at:at + part.elements]
                at += part.elements
        return parsed

    def build(self, parts: Mapping[str, PartValue]) -> bytes:
        """Return the bytes of `parts`. Raises CodecError."""
        from construct import ConstructError

        try:
            return bytes(self.declaration.build(parts))
        except ConstructError as error:
            # construct gives the place as text: "(building) -> name".
            name = (error.path or "").rpartition(" -> ")[2]
            place = (name, self.places[name].start) if name in self.places else ("", 0)
            raise CodecError("the value does not fit", *place) from error

    @cached_property
    def declaration(self) -> Construct:
        """The construct that this shape is."""
        import construct

        def declared(part: ShapePart) -> Construct:
            if part.scalar is None:
                return construct.Bytes(part.size)
            kind = {"f32": "Float32l", "f64": "Float64l"}.get(part.scalar.name) or (
                f"Int{8 * part.scalar.size}{'s' if part.scalar.minimum < 0 else 'u'}l")
            scalar = getattr(construct, kind)
            return scalar if part.elements is None else construct.Array(part.elements, scalar)

        return construct.Struct(*(p.name / declared(p) for p in self.parts))


@lru_cache
def label_shape(name_bytes: int) -> Shape:
    """Return the shape of a label (FORMAT.md, 2)."""
    return Shape(*_with_crc(LABEL_PARTS, "name", name_bytes))


@lru_cache
def record_shape(body_bytes: int) -> Shape:
    """Return the shape of a record (FORMAT.md, 3)."""
    return Shape(*_with_crc(RECORD_PARTS, "body", body_bytes))


def _with_crc(front: Iterable[FormatPart], rest: str, size: int) -> Iterable[ShapePart]:
    """Yield the parts of a `front`, `size` plain bytes called `rest`, and the CRC."""
    for part in (*front, FormatPart(rest, size, number=False), FormatPart("crc", CRC_BYTES)):
        yield ShapePart(part.name, SCALARS[f"u{8 * part.size}"] if part.number else None,
                        size=part.size)


@lru_cache
def payload_shape(fields: tuple[tuple[str, Scalar, int], ...]) -> Shape:
    """Return the shape of a run of (name, scalar, count) fields (FORMAT.md, 5)."""
    return Shape(*(ShapePart(name, scalar, count) for name, scalar, count in fields))
