"""The scalar types a record is made of: the one table that C, Python and the docs share.

A scalar is what lies on the EEPROM: 1, 2, 4 or 8 bytes, little-endian. This module knows neither
C spelling nor TOML.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from enum import StrEnum
from typing import Any, NamedTuple

__all__ = ["HALF", "SCALARS", "Columns", "GroupRaws", "Raw", "Scalar", "ScalarForm", "StoreRaws",
           "round_f32", "scalar_named"]

Raw = int | float
"""A value as it is stored: an int for every integer scalar, a float for f32 and f64."""
GroupRaws = Mapping[str, tuple[Raw, ...]]
"""The elements of the fields of a group, by name of field (`name.x` and `name.y` of a curve)."""
StoreRaws = Mapping[str, GroupRaws]
"""The same by name of group."""

Columns = Mapping[tuple[str, str], Any]
"""The raws of many units by names of group and field: a sequence of the raws of each unit, or an
array of numpy with a line for each unit."""


class ScalarForm(StrEnum):
    """How the bytes of a scalar are read as a number."""

    UNSIGNED = "unsigned"
    SIGNED = "signed"
    FLOAT = "float"


class Scalar(NamedTuple):
    """One scalar type: `size` in bytes, `minimum` and `maximum` as raw values (finite)."""

    name: str
    size: int
    form: ScalarForm
    struct_code: str
    minimum: Raw
    maximum: Raw

    def pack(self, value: Raw) -> bytes:
        """Return the little-endian bytes of `value`; struct.error if it does not fit."""
        return struct.pack("<" + self.struct_code, value)

    def unpack(self, data: bytes) -> Raw:
        """Return the value of exactly `size` little-endian bytes."""
        (value,) = struct.unpack("<" + self.struct_code, data)
        result: Raw = value
        return result


def _integer(name: str, code: str) -> Scalar:
    signed = code.islower()
    size = struct.calcsize("<" + code)
    bits = 8 * size
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    return Scalar(name, size, ScalarForm.SIGNED if signed else ScalarForm.UNSIGNED, code, low, high)


(_F32_MAX,) = struct.unpack("<f", b"\xff\xff\x7f\x7f")
(_F64_MAX,) = struct.unpack("<d", b"\xff\xff\xff\xff\xff\xff\xef\x7f")

SCALARS: dict[str, Scalar] = {
    s.name: s
    for s in (
        _integer("u8", "B"),
        _integer("u16", "H"),
        _integer("u32", "I"),
        _integer("u64", "Q"),
        _integer("i8", "b"),
        _integer("i16", "h"),
        _integer("i32", "i"),
        _integer("i64", "q"),
        Scalar("f32", 4, ScalarForm.FLOAT, "f", -_F32_MAX, _F32_MAX),
        Scalar("f64", 8, ScalarForm.FLOAT, "d", -_F64_MAX, _F64_MAX),
    )
}

HALF = Scalar("f16", 2, ScalarForm.FLOAT, "e", -65504.0, 65504.0)
"""IEEE 754 binary16. Layouts of others may hold it; a store does not: C has no type for it."""


def scalar_named(name: str) -> Scalar:
    """Return the scalar called `name`, `f16` among them; KeyError if there is none."""
    return HALF if name == HALF.name else SCALARS[name]


def round_f32(value: float) -> float:
    """Return the nearest IEEE 754 binary32 value; OverflowError beyond its range."""
    result: float = struct.unpack("<f", struct.pack("<f", value))[0]
    return result
