"""The byte shapes of FORMAT.md as construct declarations, and the fence around construct.

The only module that imports construct, when it first writes: loading it takes longer than reading
a whole dump. Reading uses `struct` with formats that come from the same parts; a test demands that
it gives what construct gives for any bytes. Errors leave this module as `CodecError`, with the
name of the field and its byte offset. Must not know CRCs, slots or limits.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from functools import cached_property, lru_cache
from typing import Any, NamedTuple

from paramstore.core.errors import ParamstoreError
from paramstore.core.format import LINEAGE_BYTES
from paramstore.core.scalars import SCALARS, Scalar

__all__ = ["CodecError", "Part", "Shape", "label_shape", "payload_shape", "record_shape"]


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


class Part(NamedTuple):
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


class Shape:
    """A run of named parts of fixed size, without gaps."""

    def __init__(self, *parts: Part) -> None:
        self.parts = parts
        self._reader = struct.Struct("<" + "".join(map(_struct_code, parts)))
        self.size = self._reader.size

    def parse(self, data: bytes) -> dict[str, Any]:
        """Return the parts of `data` by name, arrays as tuples; bytes past them are ignored.

        Raises CodecError.
        """
        if len(data) < self.size:
            raise self._short(len(data))
        values = self._reader.unpack_from(data)
        parsed: dict[str, Any] = {}
        at = 0
        for part in self.parts:
            if part.elements is None:
                parsed[part.name] = values[at]
                at += 1
            else:
                parsed[part.name] = values[at:at + part.elements]
                at += part.elements
        return parsed

    def build(self, parts: Mapping[str, Any]) -> bytes:
        """Return the bytes of `parts`. Raises CodecError."""
        from construct import ConstructError

        try:
            return bytes(self.declaration.build(parts))
        except ConstructError as error:
            # construct gives the place as text: "(building) -> name".
            name = (error.path or "").rpartition(" -> ")[2]
            raise CodecError("the value does not fit", *self._place(name)) from error

    @cached_property
    def declaration(self) -> Any:
        """The construct that this shape is."""
        import construct

        return construct.Struct(*(p.name / _construct(construct, p) for p in self.parts))

    def _short(self, size: int) -> CodecError:
        end = 0
        for part in self.parts:
            end += part.bytes
            if end > size:
                return CodecError(f"the data ends after {size} bytes", *self._place(part.name))
        raise AssertionError("the data are long enough")

    def _place(self, name: str) -> tuple[str, int]:
        offset = 0
        for part in self.parts:
            if part.name == name:
                return name, offset
            offset += part.bytes
        return "", 0


def _struct_code(part: Part) -> str:
    if part.scalar is None:
        return f"{part.size}s"
    return part.scalar.struct_code if part.elements is None else (
        f"{part.elements}{part.scalar.struct_code}")


def _construct(construct: Any, part: Part) -> Any:
    if part.scalar is None:
        return construct.Bytes(part.size)
    kind = {"f32": "Float32l", "f64": "Float64l"}.get(part.scalar.name) or (
        f"Int{8 * part.scalar.size}{'s' if part.scalar.minimum < 0 else 'u'}l")
    scalar = getattr(construct, kind)
    return scalar if part.elements is None else construct.Array(part.elements, scalar)


_U8, _U16, _U32 = (SCALARS[name] for name in ("u8", "u16", "u32"))


@lru_cache
def label_shape(name_bytes: int) -> Shape:
    """Return the shape of a label without its CRC (FORMAT.md, 2)."""
    return Shape(
        Part("magic", None, size=4),
        Part("version", _U8),
        Part("geometry", _U8),
        Part("release", _U16),
        Part("store_id", _U32),
        Part("layout_id", _U32),
        Part("lineage", None, size=LINEAGE_BYTES),
        Part("name", None, size=name_bytes),
    )


@lru_cache
def record_shape(body_bytes: int) -> Shape:
    """Return the shape of a record without its CRC (FORMAT.md, 3)."""
    return Shape(Part("sequence", _U32), Part("revision", _U8),
                 Part("body", None, size=body_bytes))


@lru_cache
def payload_shape(fields: tuple[tuple[str, Scalar, int], ...]) -> Shape:
    """Return the shape of a run of (name, scalar, count) fields (FORMAT.md, 5)."""
    return Shape(*(Part(name, scalar, count) for name, scalar, count in fields))
