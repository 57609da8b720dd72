"""RAM of the generated store on a 32-bit controller: what a C compiler makes of its structs.

Pointers have 4 bytes there, and every type lies at a multiple of its size, 64-bit ones included
(common practice of Arm and RISC-V ABIs). Knows no C text; a test compares with a compiler.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from paramstore.layout.plan import Plan
from paramstore.schema.model import Field, Group, Kind

__all__ = ["RING_BYTES", "STORE_BYTES", "page_bytes", "unit_bytes", "values_bytes"]

STORE_BYTES = 28
"""sizeof(ps_store_t) where pointers have 32 bits."""
RING_BYTES = 8
"""sizeof(ps_ring_t) there, of one group."""

_Shape = tuple[int, int]
"""Size and alignment of a C object, in bytes."""


def values_bytes(plan: Plan) -> int:
    """Return the size of the values struct."""
    return _values(plan)[0]


def page_bytes(plan: Plan) -> int:
    """Return the size of the page buffer: of a label, or of what is read of a record at a time."""
    longest = max((ring.record_bytes for ring in plan.rings), default=0)
    return max(plan.label_bytes, min(plan.part.page, longest))


def unit_bytes(plan: Plan) -> int:
    """Return the size of the store's whole struct: store, page buffer, rings and values."""
    rings = RING_BYTES * (len(plan.rings) + len(plan.retired_sources))
    return _struct([(STORE_BYTES, 4), (page_bytes(plan), 1), (rings, 4), _values(plan)])[0]


def _values(plan: Plan) -> _Shape:
    return _struct(_struct(_members(ring.group)) for ring in plan.rings)


def _members(group: Group) -> Iterator[_Shape]:
    for parameter in group.parameters:
        fields = [_array(field) for field in parameter.fields]
        yield _struct(fields) if parameter.kind is Kind.CURVE else fields[0]


def _array(field: Field) -> _Shape:
    end = field.kind is Kind.TEXT  # a text has one more byte, always 0
    return field.scalar.size * (field.count + end), field.scalar.size


def _struct(members: Iterable[_Shape]) -> _Shape:
    """Return the shape of a struct: each member at a multiple of its alignment, and the end too."""
    size, most = 0, 1
    for length, alignment in members:
        size = _aligned(size, alignment) + length
        most = max(most, alignment)
    return _aligned(size, most), most


def _aligned(offset: int, alignment: int) -> int:
    return -(-offset // alignment) * alignment
