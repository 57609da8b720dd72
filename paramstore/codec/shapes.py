"""The byte shapes of FORMAT.md as construct declarations, and the fence around construct.

The only module that imports construct. Its errors leave this module as `CodecError`, with the
name of the field and its byte offset. Must not know CRCs, slots or limits.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from construct import (
    Array,
    Bytes,
    ConstructError,
    Float32l,
    Float64l,
    Int8sl,
    Int8ul,
    Int16sl,
    Int16ul,
    Int32sl,
    Int32ul,
    Int64sl,
    Int64ul,
    Renamed,
    Struct,
)

from paramstore.errors import ParamstoreError
from paramstore.scalars import Scalar

__all__ = ["CodecError", "Shape", "label_shape", "payload_shape", "record_shape"]

_SCALARS = {
    "u8": Int8ul, "u16": Int16ul, "u32": Int32ul, "u64": Int64ul,
    "i8": Int8sl, "i16": Int16sl, "i32": Int32sl, "i64": Int64sl,
    "f32": Float32l, "f64": Float64l,
}


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


class Shape:
    """A run of named parts of fixed size, without gaps."""

    def __init__(self, *parts: Renamed) -> None:
        self._struct = Struct(*parts)
        self.size = int(self._struct.sizeof())

    def parse(self, data: bytes) -> Any:
        """Return the parts of `data` by name; bytes past them are ignored. Raises CodecError."""
        try:
            return self._struct.parse(data)
        except ConstructError as error:
            raise self._translated(error, f"the data ends after {len(data)} bytes") from error

    def build(self, parts: Mapping[str, Any]) -> bytes:
        """Return the bytes of `parts`. Raises CodecError."""
        try:
            return bytes(self._struct.build(parts))
        except ConstructError as error:
            raise self._translated(error, "the value does not fit") from error

    def _translated(self, error: ConstructError, message: str) -> CodecError:
        # construct gives the place as text: "(building) -> name".
        name = (error.path or "").rpartition(" -> ")[2]
        offset = 0
        for part in self._struct.subcons:
            if part.name == name:
                return CodecError(message, name, offset)
            offset += part.sizeof()
        return CodecError(message)


@lru_cache
def label_shape(name_bytes: int) -> Shape:
    """Return the shape of a label without its CRC (FORMAT.md, 2)."""
    return Shape(
        "magic" / Bytes(4),
        "version" / Int8ul,
        "geometry" / Int8ul,
        "release" / Int16ul,
        "store_id" / Int32ul,
        "layout_id" / Int32ul,
        "name" / Bytes(name_bytes),
    )


@lru_cache
def record_shape(body_bytes: int) -> Shape:
    """Return the shape of a record without its CRC (FORMAT.md, 3)."""
    return Shape("sequence" / Int32ul, "revision" / Int8ul, "body" / Bytes(body_bytes))


@lru_cache
def payload_shape(fields: tuple[tuple[str, Scalar, int], ...]) -> Shape:
    """Return the shape of a run of (name, scalar, count) fields (FORMAT.md, 5)."""
    return Shape(*(
        name / Array(count, _SCALARS[scalar.name]) for name, scalar, count in fields
    ))
