"""Packing by columns: all units of a chunk at once, with numpy.

An image with the constants is made once, by the record codec. For each chunk it is repeated, the
fields that differ are laid over it as columns, and the CRCs follow from the difference alone:
a CRC is linear, so that of a record is that of the constant one XOR what each changed byte
contributes at its distance from the end. Constant bytes cost nothing, and all copies of a record
change by the same amount.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from paramstore.checksum import CRC_BYTES, crc32c
from paramstore.format import HEADER_BYTES
from paramstore.image.pack import pack
from paramstore.layout.plan import PlacedField, Plan, Ring
from paramstore.production.numbers import dtype_of
from paramstore.production.packer import Columns, Raws

__all__ = ["ColumnarPacker", "contributions"]

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint32]

_ROWS = 256
_BLOCK = 1 << 15
"""Images, and table look-ups, made at a time: so many stay in the cache of a processor."""


@dataclass(frozen=True, slots=True)
class _Target:
    """One field and where its ring begins."""

    ring: Ring
    placed: PlacedField
    dtype: np.dtype[np.generic]

    def stored(self, column: Any) -> Bytes:
        """Return the bytes of a column, one unit after another."""
        if self.dtype == np.uint8 and not isinstance(column, np.ndarray):
            return np.frombuffer(b"".join(map(bytes, column)), np.uint8)
        return np.ascontiguousarray(column, self.dtype).reshape(-1).view(np.uint8)

    def copy_of(self, column: Any) -> NDArray[np.generic]:
        """Return the raws of a column, one unit after another, to be changed at will."""
        return self.stored(column).copy().view(self.dtype)


class ColumnarPacker:
    """Packs chunks of units. Keeps one buffer, as large as the largest chunk so far."""

    def __init__(self, plan: Plan, constants: Raws) -> None:
        self._plan = plan
        self._constants = {g: dict(fields) for g, fields in constants.items()}
        self._base: Bytes = np.frombuffer(pack(plan, self._constants), np.uint8)
        self._tables = {r.group.name: contributions(r.record_bytes - CRC_BYTES).ravel()
                        for r in plan.rings}
        self._targets = {
            (r.group.name, p.field.name): _Target(r, p, dtype_of(p.field.scalar))
            for r in plan.rings for p in r.fields
        }
        self._buffer: Bytes = np.empty((0, len(self._base)), np.uint8)

    def pack(self, units: Sequence[Raws | None],
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
            columns = arrays
        return [image.data for image in self.pack_columns(columns, count)]

    def _constant(self, group: str, field: str, count: int) -> NDArray[np.generic]:
        raws = np.array([self._constants[group][field]], self._targets[group, field].dtype)
        return np.repeat(raws, count, axis=0)

    def pack_columns(self, columns: Columns, count: int) -> Bytes:
        """Return `count` images as the rows of an array, which the next call overwrites."""
        if len(self._buffer) < count:
            self._buffer = np.empty((count, len(self._base)), np.uint8)
        laid = [(target, target.stored(columns[key]).reshape(count, -1))
                for key, target in self._targets.items() if key in columns]
        for at in range(0, count, _ROWS):
            self._lay(self._buffer[at:min(at + _ROWS, count)],
                      [(target, data[at:at + _ROWS]) for target, data in laid])
        return self._buffer[:count]

    def _lay(self, images: Bytes, laid: Sequence[tuple[_Target, Bytes]]) -> None:
        images[:] = self._base
        changed: dict[str, list[PlacedField]] = {}
        for target, data in laid:
            start = target.ring.address(0) + HEADER_BYTES + target.placed.offset
            images[:, start:start + target.placed.field.size] = data
            changed.setdefault(target.ring.group.name, []).append(target.placed)
        for ring in self._plan.rings:
            if ring.group.name in changed:
                self._finish(images, ring, changed[ring.group.name])

    def _finish(self, images: Bytes, ring: Ring, changed: Sequence[PlacedField]) -> None:
        """Bring the CRC of the first record of a ring up to date, then the other copies."""
        start, end = HEADER_BYTES, ring.record_bytes - CRC_BYTES
        places = np.concatenate([np.arange(p.offset, p.offset + p.field.size) for p in changed])
        places += start
        first = ring.address(0)
        base = self._base[first + places]
        table = self._tables[ring.group.name]
        index = (places * 256).astype(np.int32)
        delta = np.empty(len(images), np.uint32)
        step = max(1, _BLOCK // len(places))
        for at in range(0, len(images), step):
            block = images[at:at + step, first + places] ^ base
            delta[at:at + step] = np.bitwise_xor.reduce(table[block + index], axis=1)
        change = delta.astype("<u4").view(np.uint8).reshape(-1, CRC_BYTES)
        body = images[:, first + start:first + end]
        for copy in range(ring.group.copies):
            at = ring.address(copy)
            if copy:
                images[:, at + start:at + end] = body
            images[:, at + end:at + end + CRC_BYTES] ^= change


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
