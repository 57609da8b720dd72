"""Packing by columns: all units of a chunk at once, with numpy.

An image with the constants is made once, by `image.pack`. For each chunk it is repeated, the
fields that differ are laid over it as columns, and the CRCs follow from the difference alone:
a CRC is linear, so that of a record is that of the constant one XOR what each changed byte
contributes at its distance from the end. Constant bytes cost nothing, and all copies of a record
change by the same amount.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from paramstore.core.checksum import crc32c
from paramstore.core.format import CRC_BYTES, ERASED, HEADER_BYTES
from paramstore.core.scalars import Columns, StoreRaws
from paramstore.image.pack import pack
from paramstore.layout.plan import PlacedField, Plan, Ring
from paramstore.production.numbers import dtype_of

__all__ = ["ColumnarPacker", "contributions"]

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint32]

_Raws: TypeAlias = "NDArray[np.generic] | Sequence[Sequence[int]]"

_ROWS = 256
_BLOCK = 1 << 15
"""Images, and table look-ups, made at a time: so many stay in the cache of a processor."""


@dataclass(frozen=True, slots=True)
class _Target:
    """One field and where its ring begins."""

    ring: Ring
    placed: PlacedField
    dtype: np.dtype[np.generic]

    @property
    def start(self) -> int:
        """Where the field stands in a record."""
        return HEADER_BYTES + self.placed.offset

    def stored(self, column: _Raws) -> Bytes:
        """Return the bytes of a column, one unit after another."""
        if self.dtype == np.uint8 and not isinstance(column, np.ndarray):
            return np.frombuffer(b"".join(map(bytes, column)), np.uint8)
        return np.ascontiguousarray(column, self.dtype).reshape(-1).view(np.uint8)

    def copy_of(self, column: _Raws) -> NDArray[np.generic]:
        """Return the raws of a column, one unit after another, to be changed at will."""
        return self.stored(column).copy().view(self.dtype)


@dataclass(frozen=True, slots=True)
class _Change:
    """What differs in the records of one ring: bytes for each unit, those of the constants, the
    table of contributions, and where in it the row of each byte begins."""

    ring: Ring
    targets: Sequence[_Target]
    data: Bytes
    base: Bytes
    table: Words
    index: NDArray[np.int32]


class ColumnarPacker:
    """Packs chunks of units. Keeps one buffer, as large as the largest chunk so far."""

    def __init__(self, plan: Plan, constants: StoreRaws, optional: Collection[str] = (), *,
                 defaults: bool = False) -> None:
        self._plan = plan
        self._constants = {g: dict(fields) for g, fields in constants.items()}
        self._optional = [] if defaults else [r for r in plan.rings if r.group.name in optional]
        self._base: Bytes = np.frombuffer(pack(plan, self._constants, defaults=True), np.uint8)
        self._tables = {r.group.name: contributions(r.record_bytes - CRC_BYTES).ravel()
                        for r in plan.rings}
        self._targets = {
            (r.group.name, p.field.name): _Target(r, p, dtype_of(p.field.scalar))
            for r in plan.rings for p in r.fields
        }
        self._buffer: Bytes = np.empty((0, len(self._base)), np.uint8)

    def pack(self, units: Sequence[StoreRaws | None],
             columns: Columns) -> Sequence[bytes | memoryview]:
        """Return the image of each unit; see `Packer`."""
        count = len(units)
        own = [(index, unit) for index, unit in enumerate(units) if unit]
        if own:
            arrays = {key: self._targets[key].copy_of(column).reshape(count, -1)
                      for key, column in columns.items()}
            for index, unit in own:
                for group, fields in unit.items():
                    for field, raws in fields.items():
                        if (group, field) not in arrays:
                            arrays[group, field] = self._constant(group, field, count)
                        arrays[group, field][index] = raws
        packed = self.pack_columns(arrays if own else columns, count)
        given = {group for group, _ in columns}
        for ring in self._optional:
            _erase(packed, ring, [
                index for index, unit in enumerate(units)
                if not (unit or {}).get(ring.group.name, ring.group.name in given)])
        images = packed.reshape(-1).data
        size = len(self._base)
        return [images[at:at + size] for at in range(0, len(images), size)]

    def _constant(self, group: str, field: str, count: int) -> NDArray[np.generic]:
        raws = np.array([self._constants[group][field]], self._targets[group, field].dtype)
        return np.repeat(raws, count, axis=0)

    def pack_columns(self, columns: Columns, count: int) -> Bytes:
        """Return `count` images as the rows of an array, which the next call overwrites."""
        if len(self._buffer) < count:
            self._buffer = np.empty((count, len(self._base)), np.uint8)
        changes = [
            change for ring in self._plan.rings if (change := self._change(ring, columns, count))]
        for at in range(0, count, _ROWS):
            images = self._buffer[at:min(at + _ROWS, count)]
            images[:] = self._base
            for change in changes:
                _lay(images, change, change.data[at:at + _ROWS])
        return self._buffer[:count]

    def _change(self, ring: Ring, columns: Columns, count: int) -> _Change | None:
        group = ring.group.name
        targets = [self._targets[group, p.field.name] for p in ring.fields
                   if (group, p.field.name) in columns]
        if not targets:
            return None
        data = np.concatenate([t.stored(columns[group, t.placed.field.name]).reshape(count, -1)
                               for t in targets], axis=1)
        places = np.concatenate([np.arange(t.start, t.start + t.placed.field.size)
                                 for t in targets])
        return _Change(ring, targets, data, self._base[ring.address(0) + places],
                       self._tables[group], (places * 256).astype(np.int32))


def _lay(images: Bytes, change: _Change, data: Bytes) -> None:
    """Lay data into the first record of a ring, bring its CRC up to date, then the other copies."""
    start, end = HEADER_BYTES, change.ring.record_bytes - CRC_BYTES
    first, column = change.ring.address(0), 0
    for target in change.targets:
        size = target.placed.field.size
        at = first + target.start
        images[:, at:at + size] = data[:, column:column + size]
        column += size
    delta = np.empty(len(images), np.uint32)
    step = max(1, _BLOCK // len(change.index))
    for row in range(0, len(images), step):
        block = data[row:row + step] ^ change.base
        delta[row:row + step] = np.bitwise_xor.reduce(
            change.table.take(block + change.index, mode="clip"), axis=1)
    crcs = delta.astype("<u4").view(np.uint8).reshape(-1, CRC_BYTES)
    body = images[:, first + start:first + end]
    for copy in range(change.ring.group.copies):
        at = change.ring.address(copy)
        if copy:
            images[:, at + start:at + end] = body
        images[:, at + end:at + end + CRC_BYTES] ^= crcs


def _erase(images: Bytes, ring: Ring, rows: list[int]) -> None:
    """Take the records of a ring out of some images."""
    for copy in range(ring.group.copies if rows else 0):
        first = ring.address(copy)
        images[slice(None) if len(rows) == len(images) else rows,
               first:first + ring.record_bytes] = ERASED


def contributions(size: int) -> Words:
    """Return what each byte value adds (by XOR) to the CRC-32C of `size` bytes, for each place.

    Row i is for the byte i from the front: `crc(a) == crc(b) ^ XOR of row[i][a[i] ^ b[i]]`.
    """
    one = np.fromiter((crc32c(bytes([b])) ^ crc32c(b"\0") for b in range(256)), np.uint32, 256)
    table = np.empty((size, 256), np.uint32)
    row = one
    for place in reversed(range(size)):
        table[place] = row
        # One more zero byte behind it: the register moves on by eight bits.
        row = (row >> np.uint32(8)) ^ one[row & np.uint32(0xFF)]
    return table
