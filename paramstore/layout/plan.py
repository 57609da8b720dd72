"""The Plan: where every byte of a store lies. Frozen data, made by `place`, read by everything.

Geometry is derived in properties, never stored twice. Knows the model and the format numbers;
knows no bytes' content (see `record`), no time and no wear (see `figures`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from paramstore.core.errors import Finding
from paramstore.core.format import OVERHEAD_BYTES, label_bytes, label_pages
from paramstore.schema.model import Field, Group, Schema
from paramstore.schema.part import Part

if TYPE_CHECKING:
    from paramstore.layout.raw_conversion import FieldMigration

__all__ = ["PlacedField", "Plan", "Reserved", "Ring"]


class PlacedField(NamedTuple):
    """A field and its offset in the record body, in bytes.

    `since` is the first revision of the group whose records hold it.
    """

    field: Field
    offset: int
    since: int = 1


class Reserved(NamedTuple):
    """Bytes of a record body that once were the field `name` and are never used again.

    Firmware of an earlier release still reads them, so a record keeps what they held;
    `default` is there if they held nothing.
    """

    name: str
    offset: int
    default: bytes
    since: int = 1

    @property
    def size(self) -> int:
        """Bytes on the EEPROM."""
        return len(self.default)


@dataclass(frozen=True, slots=True)
class Ring:
    """The slots of one group. `body_bytes` = payload + room kept for growth.

    `fields` are in the order of their offsets; if none are given, they lie one after another in
    schema order. Fields and reserved stretches together fill the payload without gaps.
    """

    group: Group
    first_page: int
    slots: int
    slot_pages: int
    body_bytes: int
    page_bytes: int
    revision: int = 1
    fields: tuple[PlacedField, ...] = ()
    reserved: tuple[Reserved, ...] = ()

    def __post_init__(self) -> None:
        if not self.fields:
            object.__setattr__(self, "fields", _packed(self.group))

    @property
    def record_bytes(self) -> int:
        """Bytes of a whole record: header, body, CRC."""
        return self.body_bytes + OVERHEAD_BYTES

    @property
    def stretches(self) -> tuple[PlacedField | Reserved, ...]:
        """Fields and reserved stretches in the order of their offsets."""
        return tuple(sorted((*self.fields, *self.reserved), key=lambda s: s.offset))

    @property
    def payload_bytes(self) -> int:
        """Bytes of the body that carry fields, or once did."""
        return self.group.payload_bytes + sum(r.size for r in self.reserved)

    @property
    def pages(self) -> int:
        """Pages of the whole ring."""
        return self.slots * self.slot_pages

    def placed(self, field: Field) -> PlacedField:
        """Return where a field of the group lies."""
        return next(p for p in self.fields if p.field is field)

    def address(self, slot: int) -> int:
        """Return the memory address of the first byte of `slot`."""
        return (self.first_page + slot * self.slot_pages) * self.page_bytes

    def writes(self) -> Iterator[tuple[int, int]]:
        """Yield (offset, length) in the record of every page write of one record, in order."""
        for offset in range(0, self.record_bytes, self.page_bytes):
            yield offset, min(self.page_bytes, self.record_bytes - offset)


def _packed(group: Group) -> tuple[PlacedField, ...]:
    placed, offset = [], 0
    for f in group.fields:
        placed.append(PlacedField(f, offset))
        offset += f.size
    return tuple(placed)


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole layout. `findings` holds warnings only: a plan with an error is never made.

    The rest is there if the store was released before: `retired` are the rings of groups that
    were taken out, on pages that stay theirs; `migrations` where earlier releases kept fields,
    those of one field together, the latest first, and a group that others take from after these;
    `lineage` are the numbers and layout ids of the releases before it in the series, the first one
    first, `added` the ids of groups that not all of these have.
    """

    schema: Schema
    rings: tuple[Ring, ...]
    store_id: int
    layout_id: int
    release: int = 0  # 0: not released
    retired: tuple[Ring, ...] = ()
    migrations: tuple[FieldMigration, ...] = ()
    lineage: tuple[tuple[int, int], ...] = ()
    added: frozenset[int] = frozenset()
    findings: tuple[Finding, ...] = field(default=(), compare=False)

    @property
    def series(self) -> int:
        """How often the rings were laid out anew since the first release."""
        return self.schema.series

    @property
    def previous_layout_id(self) -> int:
        """Layout id of the release before it in the series, which its own covers; 0: none."""
        return self.lineage[-1][1] if self.lineage else 0

    @property
    def migratable(self) -> tuple[tuple[int, int], ...]:
        """Numbers and layout ids of the earlier releases whose units this one migrates: none if
        it is not released itself."""
        return self.lineage if self.release else ()

    @property
    def part(self) -> Part:
        """The EEPROM part."""
        return self.schema.part

    @property
    def label_bytes(self) -> int:
        """Bytes of one label copy."""
        return label_bytes(self.part.page)

    @property
    def label_pages(self) -> int:
        """Pages of one label copy; there are two copies, from page 0 on."""
        return label_pages(self.part.page)

    def label_address(self, copy: int) -> int:
        """Return the memory address of label copy 0 or 1."""
        return copy * self.label_pages * self.part.page

    @property
    def ring_pages(self) -> int:
        """Pages of all rings, retired ones included."""
        return sum(r.pages for r in (*self.rings, *self.retired))

    @property
    def retired_sources(self) -> tuple[Ring, ...]:
        """The retired rings that migrations take values from."""
        asked = {migration.source for migration in self.migrations}
        return tuple(r for r in self.retired if r.group.id in asked)

    def ring(self, group: str) -> Ring:
        """Return the ring of the group called `group`; KeyError if there is none."""
        for r in self.rings:
            if r.group.name == group:
                return r
        raise KeyError(group)
