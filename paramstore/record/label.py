"""Labels: what names the store, the format and the layout on a part (FORMAT.md, 2)."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from paramstore.core.checksum import crc32c
from paramstore.core.format import (
    CRC_BYTES,
    ERASED,
    FORMAT_VERSION,
    LABEL_MAGIC,
    LINEAGE_BYTES,
    NO_STORE,
    geometry_byte,
    label_name_bytes,
    release_number,
    split_release,
)
from paramstore.layout.plan import Plan
from paramstore.record.shapes import label_shape

__all__ = ["Label", "build_label", "erasing_label", "label_places", "labelled_image", "lay_labels",
           "parse_label", "read_label", "release_bytes"]


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


def label_places(page_bytes: int) -> dict[str, slice]:
    """Return where the parts of a label lie, by name and in order, `crc` the last."""
    return label_shape(label_name_bytes(page_bytes)).places


_GEOMETRY_OFFSET = label_places(8)["geometry"].start


def build_label(plan: Plan) -> bytes:
    """Return one label copy, `plan.label_bytes` long."""
    part = plan.part
    size = label_name_bytes(part.page)
    lineage = bytes(layout_id & 0xFF for _, layout_id in plan.migratable[:-LINEAGE_BYTES - 1:-1])
    front = label_shape(size).build({
        "magic": LABEL_MAGIC,
        "version": FORMAT_VERSION,
        "geometry": geometry_byte(part.capacity, part.page),
        "release": release_number(plan.release, plan.series),
        "store_id": plan.store_id,
        "layout_id": plan.layout_id,
        "lineage": lineage.ljust(LINEAGE_BYTES, b"\0"),
        "name": cut_utf8(plan.schema.name, size).ljust(size, b"\0"),
        "crc": 0,
    })[:-CRC_BYTES]
    return front + crc32c(front).to_bytes(CRC_BYTES, "little")


def erasing_label(plan: Plan) -> bytes:
    """Return the label of a part that is being erased: it names no store."""
    return build_label(replace(plan, store_id=NO_STORE))


def release_bytes(plan: Plan, release: int, layout_id: int) -> bytes:
    """Return what the label of a release of the store says of itself: all from the release to the
    layout id."""
    places = label_places(plan.part.page)
    label = build_label(replace(plan, release=release, layout_id=layout_id))
    return label[places["release"].start:places["layout_id"].stop]


def read_label(data: bytes) -> Label | None:
    """Return the label that `data` begins with; None if its magic or CRC is not right.

    No plan is needed: the length of a label follows from its own geometry byte.
    """
    if not data.startswith(LABEL_MAGIC) or len(data) <= _GEOMETRY_OFFSET:
        return None
    page, _ = _geometry(data[_GEOMETRY_OFFSET])
    shape = label_shape(label_name_bytes(page))
    return parse_label(data[:shape.size], page) if len(data) >= shape.size else None


def parse_label(data: bytes, page_bytes: int) -> Label | None:
    """Return the label that `data` is, as long as that of a part with such pages; None if its magic
    or CRC is not right."""
    magic, version, geometry, number, store_id, layout_id, lineage, name, crc = label_shape(
        label_name_bytes(page_bytes)).reader.unpack(data)
    if magic != LABEL_MAGIC or crc32c(data[:-CRC_BYTES]) != crc:
        return None
    release, series = split_release(number)
    return Label(version, *_geometry(geometry), release, series, store_id, layout_id,
                 tuple(lineage), name.rstrip(b"\0").decode("utf-8", "replace"))


def _geometry(byte: int) -> tuple[int, int]:
    """Return page and capacity in bytes; see `format.geometry_byte`."""
    return 1 << (byte & 0x0F), 128 << (byte >> 4)


def cut_utf8(text: str, size: int) -> bytes:
    """Return at most `size` bytes of `text` in UTF-8, cut at a character boundary."""
    return text.encode("utf-8")[:size].decode("utf-8", "ignore").encode("utf-8")


def labelled_image(plan: Plan) -> bytearray:
    """Return the bytes of a whole part with both labels and no record."""
    image = bytearray([ERASED]) * plan.part.capacity
    lay_labels(image, plan)
    return image


def lay_labels(image: bytearray, plan: Plan) -> None:
    """Write both copies of the label."""
    label = build_label(plan)
    for at in map(plan.label_address, (0, 1)):
        image[at:at + len(label)] = label
