"""Labels: what names the store, the format and the layout on a part (FORMAT.md, 2)."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from paramstore.core.checksum import CRC_BYTES, crc32c
from paramstore.core.format import (
    FORMAT_VERSION,
    LABEL_MAGIC,
    LINEAGE_BYTES,
    geometry_byte,
    label_name_bytes,
    release_number,
    split_release,
)
from paramstore.layout.plan import Plan
from paramstore.record.shapes import label_shape

__all__ = ["Label", "build_label", "label_places", "lineage_of", "read_label"]


class Label(NamedTuple):
    """What a label says. `page` and `capacity` are in bytes; `name` may be cut short. `lineage` has
    the lowest byte of the layout id of each of the releases before, the last one first."""

    version: int
    page: int
    capacity: int
    release: int
    series: int
    store_id: int
    layout_id: int
    lineage: tuple[int, ...]
    name: str

    @property
    def called(self) -> str:
        """What to call the store: its name as far as it is there, else its id."""
        return self.name or f"0x{self.store_id:08X}"

    def follows(self, release: int, layout_id: int) -> bool:
        """Return whether, as far as the label tells, the release before it that is called `release`
        has this layout id: then all that it knows is where it was."""
        gap = self.release - release
        return gap > LINEAGE_BYTES or self.lineage[gap - 1] == layout_id & 0xFF


@lru_cache
def label_places(page_bytes: int) -> dict[str, slice]:
    """Return where the parts of a label lie, by name and in order: those of its shape, and `crc`.
    """
    places, at = {}, 0
    for part in label_shape(label_name_bytes(page_bytes)).parts:
        places[part.name] = slice(at, at + part.bytes)
        at += part.bytes
    return {**places, "crc": slice(at, at + CRC_BYTES)}


def lineage_of(plan: Plan) -> bytes:
    """Return what a label says of the releases before its own."""
    last = [layout_id & 0xFF for _, layout_id in plan.known[:-LINEAGE_BYTES - 1:-1]]
    return bytes(last).ljust(LINEAGE_BYTES, b"\0")


_GEOMETRY_OFFSET = label_places(8)["geometry"].start


def build_label(plan: Plan) -> bytes:
    """Return one label copy, `plan.label_bytes` long."""
    part = plan.part
    size = label_name_bytes(part.page)
    front = label_shape(size).build({
        "magic": LABEL_MAGIC,
        "version": FORMAT_VERSION,
        "geometry": geometry_byte(part.capacity, part.page),
        "release": release_number(plan.release, plan.series),
        "store_id": plan.store_id,
        "layout_id": plan.layout_id,
        "lineage": lineage_of(plan),
        "name": cut_utf8(plan.schema.name, size).ljust(size, b"\0"),
    })
    return front + crc32c(front).to_bytes(CRC_BYTES, "little")


def read_label(data: bytes) -> Label | None:
    """Return the label that `data` begins with; None if its magic or CRC is not right.

    No plan is needed: the length of a label follows from its own geometry byte.
    """
    if not data.startswith(LABEL_MAGIC) or len(data) <= _GEOMETRY_OFFSET:
        return None
    geometry = data[_GEOMETRY_OFFSET]
    page, capacity = 1 << (geometry & 0x0F), 128 << (geometry >> 4)
    shape = label_shape(label_name_bytes(page))
    size = shape.size
    crc = data[size:size + CRC_BYTES]
    if len(crc) < CRC_BYTES or crc32c(data[:size]) != int.from_bytes(crc, "little"):
        return None
    parts = shape.parse(data)
    release, series = split_release(parts["release"])
    return Label(parts["version"], page, capacity, release, series, parts["store_id"],
                 parts["layout_id"], tuple(parts["lineage"]),
                 parts["name"].rstrip(b"\0").decode("utf-8", "replace"))


def cut_utf8(text: str, size: int) -> bytes:
    """Return at most `size` bytes of `text` in UTF-8, cut at a character boundary."""
    return text.encode("utf-8")[:size].decode("utf-8", "ignore").encode("utf-8")
