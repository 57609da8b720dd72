"""Packing by columns: all units of a chunk at once, with numpy.

An image with the constants is made once, by the record codec. For each chunk it is repeated, the
fields that differ are laid over it as columns, and the CRCs follow from the difference alone:
a CRC is linear, so that of a record is that of the constant one XOR what each changed byte
contributes at its distance from the end. Constant bytes cost nothing, and all copies of a record
change by the same amount. The only use of numpy in production.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import cast

import numpy as np
from numpy.typing import NDArray

from paramstore.checksum import CRC_BYTES, crc32c
from paramstore.format import HEADER_BYTES
from paramstore.image.pack import pack
from paramstore.layout.plan import PlacedField, Plan, Ring
from paramstore.production.packer import Raws
from paramstore.scalars import Scalar, ScalarForm

__all__ = ["ColumnarPacker", "contributions"]

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint32]

_BLOCK = 1 << 15
"""Table look-ups made at a time: so many results stay in the cache of a processor."""


@dataclass(frozen=True, slots=True)
class _Target:
    """One field and where its ring begins."""

    ring: Ring
    placed: PlacedField
    dtype: np.dtype[np.generic]


class ColumnarPacker:
    """Packs chunks of units. Keeps one buffer, as large as the largest chunk so far."""

    def __init__(self, plan: Plan, constants: Raws) -> None:
        self._plan = plan
        self._constants = {g: dict(fields) for g, fields in constants.items()}
        self._base: Bytes = np.frombuffer(pack(plan, self._constants), np.uint8)
        self._tables = {r.group.name: contributions(r.record_bytes - CRC_BYTES).ravel()
                        for r in plan.rings}
        self._targets = {
            (r.group.name, p.field.name): _Target(r, p, _dtype(p.field.scalar))
            for r in plan.rings for p in r.fields
        }
        self._buffer: Bytes = np.empty((0, len(self._base)), np.uint8)

    def pack(self, units: Sequence[Raws]) -> Sequence[bytes | memoryview]:
        """Return the image of each unit; see `Packer`."""
        names = dict.fromkeys((g, f) for unit in units for g, fields in unit.items()
                              for f in fields)
        columns = {(g, f): self._column(units, g, f) for g, f in names}
        images = self.pack_columns(columns, len(units))
        return [image.data for image in images]

    def _column(self, units: Sequence[Raws], group: str, field: str) -> NDArray[np.generic]:
        constant = self._constants[group][field]
        rows = [unit.get(group, {}).get(field, constant) for unit in units]
        dtype = self._targets[group, field].dtype
        if dtype.itemsize == 1 and dtype.kind == "u":
            return np.frombuffer(b"".join(map(bytes, cast("list[tuple[int, ...]]", rows))), dtype)
        return np.fromiter(chain.from_iterable(rows), dtype, len(rows) * len(constant))

    def pack_columns(self, columns: Mapping[tuple[str, str], NDArray[np.generic]],
                     count: int) -> Bytes:
        """Return `count` images as the rows of an array, which the next call overwrites.

        `columns` maps (group, field) to the raws of all units, one unit after another.
        """
        if len(self._buffer) < count:
            self._buffer = np.empty((count, len(self._base)), np.uint8)
        images = self._buffer[:count]
        images[:] = self._base
        changed: dict[str, list[PlacedField]] = {}
        for (group, name), column in columns.items():
            target = self._targets[group, name]
            data = np.ascontiguousarray(column, target.dtype).reshape(count, -1)
            start = target.ring.address(0) + HEADER_BYTES + target.placed.offset
            images[:, start:start + target.placed.field.size] = data.view(np.uint8)
            changed.setdefault(group, []).append(target.placed)
        for ring in self._plan.rings:
            if ring.group.name in changed:
                self._finish(images, ring, changed[ring.group.name])
        return images

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


def _dtype(scalar: Scalar) -> np.dtype[np.generic]:
    letter = {ScalarForm.UNSIGNED: "u", ScalarForm.SIGNED: "i", ScalarForm.FLOAT: "f"}[scalar.form]
    return np.dtype(f"<{letter}{scalar.size}")
