"""What a byte is for, and where a parameter lies: both ways, down to the bit.

Knows a Plan only; what a dump holds there is added by whoever has one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import NamedTuple

from paramstore.core.errors import ToolError
from paramstore.core.format import CRC_BYTES, HEADER_BYTES, RECORD_PARTS
from paramstore.core.scalars import ScalarForm
from paramstore.core.words import did_you_mean, show_number
from paramstore.layout.plan import PlacedField, Plan, Reserved, Ring
from paramstore.record import label_places
from paramstore.schema.model import Field, Kind, Parameter

__all__ = ["Area", "Location", "Meaning", "areas", "bit_meaning", "label_parts", "locate",
           "meaning_of", "number_bit", "parse_address", "slot_parts"]

_LABEL_PARTS = {"version": "format version", "store_id": "store id", "layout_id": "layout id",
                "lineage": "releases before", "name": "store name", "crc": "CRC of the label"}
_RECORD_PARTS = {"sequence": "sequence number"}
"""Parts of a label and a record that are called otherwise for people."""


class Meaning(NamedTuple):
    """What one byte is for.

    `first` and `size` are the address and length of the whole thing that the byte belongs to:
    `what` names it ("sequence number", "CRC", "room", "free", a field or one of its elements).
    `ring` and `slot` are those of a record; `field` and `element` are set for a byte of a field.
    """

    address: int
    what: str
    first: int
    size: int
    copy: int | None = None  # of the label
    ring: Ring | None = None
    slot: int | None = None
    field: Field | None = None
    element: int = 0

    @property
    def area(self) -> str:
        """The name of the label copy or slot; "" for a byte of none."""
        if self.ring is not None:
            return f"{self.ring.group.name}, slot {self.slot}"
        return "" if self.copy is None else f"label copy {self.copy}"

    @property
    def byte(self) -> int:
        """Which byte of the whole this is, from 0."""
        return self.address - self.first


class Area(NamedTuple):
    """A label copy, a slot, the pages of a group that was taken out, or free pages in a row: from
    address `first` to before `end`, with a name for people."""

    first: int
    end: int
    what: str
    copy: int | None = None  # of the label
    ring: Ring | None = None
    slot: int | None = None


class Location(NamedTuple):
    """Where something lies in one slot (None: in the label): `bit` is one of its bits, counted
    from the lowest of the byte at `address`, None for whole bytes."""

    address: int
    size: int
    slot: int | None = None
    bit: int | None = None


def parse_address(text: str) -> tuple[int, int | None] | None:
    """Return the address, and the bit behind a point, that a text gives; None if it is a name.

    ToolError for a bit that no byte has.
    """
    match = re.fullmatch(r"(0[xX][0-9A-Fa-f]{1,8}|[0-9]{1,10})(?:\.([0-9]{1,4}))?", text.strip())
    if match is None:
        return None
    if match[2] is not None and int(match[2]) > 7:
        raise ToolError(f"there is no bit {int(match[2])} in the byte at {match[1]}",
                        "bits of a byte go from 0, the lowest, to 7")
    base = 16 if match[1][:2] in ("0x", "0X") else 10
    return int(match[1], base), None if match[2] is None else int(match[2])


# ---- Address to meaning -------------------------------------------------------------------------


def areas(plan: Plan) -> tuple[Area, ...]:
    """Return what the part is divided into, in order of addresses and without gaps."""
    size = plan.part.page
    taken = [Area(first, first + plan.label_pages * size, f"label copy {copy}", copy)
             for copy, first in enumerate(map(plan.label_address, (0, 1)))]
    for ring in plan.rings:
        taken += [Area(ring.address(slot), ring.address(slot + 1),
                       f"{ring.group.name}, slot {slot}", None, ring, slot)
                  for slot in range(ring.slots)]
    taken += [Area(ring.address(0), ring.address(ring.slots),
                   f"group `{ring.group.name}`, which was taken out") for ring in plan.retired]
    found: list[Area] = []
    at = 0
    for area in (*sorted(taken, key=lambda a: a.first), Area(plan.part.capacity, 0, "the end")):
        if area.first > at:
            found.append(Area(at, area.first, "free"))
        found.append(area)
        at = area.end
    return tuple(found[:-1])


def meaning_of(plan: Plan, address: int) -> Meaning:
    """Return what the byte at an address is for. ToolError if the part has no such address."""
    if not 0 <= address < plan.part.capacity:
        raise ToolError(f"`{plan.part.name}` has no address 0x{address:X}",
                        f"it ends at 0x{plan.part.capacity - 1:X}")
    for copy in (0, 1):
        first = plan.label_address(copy)
        if first <= address < first + plan.label_pages * plan.part.page:
            offset, size, what = next(p for p in label_parts(plan)
                                      if address < first + p[0] + p[1])
            return Meaning(address, what, first + offset, size, copy=copy)
    for ring in plan.rings:
        first = ring.address(0)
        if first <= address < first + ring.pages * ring.page_bytes:
            slot = (address - first) // (ring.slot_pages * ring.page_bytes)
            return _in_slot(ring, slot, address)
    for ring in plan.retired:
        if ring.address(0) <= address < ring.address(0) + ring.pages * ring.page_bytes:
            return Meaning(address, f"group `{ring.group.name}`, which was taken out",
                           ring.address(0), ring.pages * ring.page_bytes)
    page = address // plan.part.page * plan.part.page
    return Meaning(address, "free", page, plan.part.page)


def label_parts(plan: Plan) -> Iterator[tuple[int, int, str]]:
    """Yield (offset, size, name) of everything on the pages of a label copy, in order."""
    for name, at in label_places(plan.part.page).items():
        if at.stop > at.start:  # a label may have no name
            yield at.start, at.stop - at.start, _LABEL_PARTS.get(name, name)
    end = plan.label_bytes
    yield end, plan.label_pages * plan.part.page - end, "behind the label"


def _in_slot(ring: Ring, slot: int, address: int) -> Meaning:
    start = ring.address(slot)
    for offset, size, what, placed in slot_parts(ring):
        first = start + offset
        if address >= first + size:
            continue
        if placed is None:
            return Meaning(address, what, first, size, ring=ring, slot=slot)
        width = placed.field.scalar.size
        element = (address - first) // width
        if placed.field.kind in (Kind.TEXT, Kind.BYTES):
            return Meaning(address, what, first, size, None, ring, slot, placed.field, element)
        return Meaning(address, _element(placed.field, element), first + element * width, width,
                       None, ring, slot, placed.field, element)
    raise AssertionError("the parts fill the slot")


def slot_parts(ring: Ring, revision: int | None = None
               ) -> Iterator[tuple[int, int, str, PlacedField | None]]:
    """Yield (offset in the slot, size, name, field) of everything in a slot, in order.

    Room and what is behind the record may have no bytes. In a record of an earlier `revision`
    what was appended since is room.
    """
    end = 0
    for part in RECORD_PARTS:
        yield end, part.size, _RECORD_PARTS.get(part.name, part.name), None
        end += part.size
    for stretch in ring.stretches:
        if revision is not None and stretch.since > revision:
            break  # so are all behind it
        end = HEADER_BYTES + stretch.offset + _size(stretch)
        if isinstance(stretch, PlacedField):
            yield HEADER_BYTES + stretch.offset, stretch.field.size, stretch.field.name, stretch
        else:
            yield (HEADER_BYTES + stretch.offset, stretch.size,
                   f"reserved, once `{stretch.name}`", None)
    yield end, HEADER_BYTES + ring.body_bytes - end, "room", None
    yield HEADER_BYTES + ring.body_bytes, CRC_BYTES, "CRC of the record", None
    yield (ring.record_bytes, ring.slot_pages * ring.page_bytes - ring.record_bytes,
           "behind the record", None)


def _size(stretch: PlacedField | Reserved) -> int:
    return stretch.field.size if isinstance(stretch, PlacedField) else stretch.size


def _element(field: Field, element: int) -> str:
    several = field.array or field.count > 1
    return f"{field.name}[{element}]" if several else field.name


def bit_meaning(meaning: Meaning, bit: int) -> str:
    """Return what a bit (0 the lowest) of the byte means for the value it is part of."""
    field = meaning.field
    if field is None:
        article = "" if meaning.what.startswith(("reserved", "free", "group")) else "the "
        return f"bit {8 * meaning.byte + bit} of {article}{meaning.what}"
    if field.kind in (Kind.TEXT, Kind.BYTES):
        return f"bit {bit} of byte {meaning.element} of `{field.name}`"
    return number_bit(field, 8 * meaning.byte + bit, 8 * field.scalar.size)


def number_bit(field: Field, number: int, width: int) -> str:
    """Return what bit `number` (0 the lowest) of an element that takes `width` bits means."""
    last = width - 1
    if field.kind is Kind.FLAGS:
        names = {b: name for name, b in field.members}
        return f"flag `{names[number]}`" if number in names else "a flag without a name"
    if field.scalar.form is ScalarForm.FLOAT:
        mantissa = {2: 10, 4: 23, 8: 52}[field.scalar.size]
        if number == last:
            return "the sign"
        return (f"bit {number} of the fraction" if number < mantissa
                else f"bit {number - mantissa} of the exponent")
    step = _step(field, number)
    if field.scalar.form is ScalarForm.SIGNED and number == last:
        return f"the sign: set, it takes {step} off"
    if field.kind is Kind.BOOL:
        return "true or false" if number == 0 else "always 0"
    if field.kind is Kind.ENUM:
        return f"{1 << number} of the member's number"
    return f"{step} of the value"


def _step(field: Field, number: int) -> str:
    size = Decimal(1 << number) * (field.scale if field.kind is Kind.INTEGER else 1)
    unit = f" {field.unit}" if field.unit else ""
    days = " days" if field.kind is Kind.DATE else ""
    return f"{show_number(size.normalize())}{unit}{days}"


# ---- Name to addresses --------------------------------------------------------------------------


def locate(plan: Plan, name: str) -> tuple[Ring, tuple[Location, ...]]:
    """Return the ring of a parameter and where it lies in each slot.

    `name` is GROUP.PARAMETER, with `[n]` for an element, `.x` or `.y` for an axis of a curve, and
    the name of a flag for its bit. A parameter's own name does if only one group has it.
    ToolError if there is no such thing.
    """
    ring, parameter, rest = _parameter(plan, name)
    fields = [p for p in ring.fields if p.field in parameter.fields]
    if parameter.kind is Kind.CURVE and rest[:2] in (".x", ".y"):
        fields = [p for p in fields if p.field.name.endswith(rest[:2])]
        rest = rest[2:]
    offset, size = fields[0].offset, sum(p.field.size for p in fields)
    field, bit = fields[0].field, None
    index = re.match(r"\[(\d{1,6})\]", rest)
    if index is not None and len(fields) == 1:
        if int(index[1]) >= field.count:
            raise ToolError(f"`{field.name}` has {field.count} elements",
                            f"give [0] to [{field.count - 1}]")
        offset, size = offset + int(index[1]) * field.scalar.size, field.scalar.size
        rest = rest[index.end():]
    if rest.startswith(".") and field.kind is Kind.FLAGS:
        members = dict(field.members)
        if rest[1:] not in members:
            raise ToolError(f"`{parameter.name}` has no flag `{rest[1:]}`",
                            did_you_mean(rest[1:], list(members), "its flags"))
        offset, size, bit = offset + members[rest[1:]] // 8, 1, members[rest[1:]] % 8
        rest = ""
    if rest:
        raise ToolError(f"`{name}` names nothing: `{rest}` is left over",
                        "write GROUP.PARAMETER, [n] for an element, the name of a flag")
    return ring, tuple(
        Location(ring.address(slot) + HEADER_BYTES + offset, size, slot, bit)
        for slot in range(ring.slots)
    )


def _parameter(plan: Plan, name: str) -> tuple[Ring, Parameter, str]:
    """Return the ring and parameter that a name begins with, and the rest of it."""
    match = re.match(r"(\w+)(?:\.(\w+))?(.*)", name.strip(), re.DOTALL)
    if match is not None:
        rings = {r.group.name: r for r in plan.rings}
        first, second, rest = match[1], match[2], match[3]
        if first in rings and second is not None:
            parameters = {p.name: p for p in rings[first].group.parameters}
            if second in parameters:
                return rings[first], parameters[second], rest
            raise ToolError(f"group `{first}` has no parameter `{second}`",
                            did_you_mean(second, list(parameters), f"those of `{first}`"))
        owners = [(r, p) for r in plan.rings for p in r.group.parameters if p.name == first]
        if len(owners) == 1:
            return *owners[0], (f".{second}" if second else "") + rest
        if owners:
            raise ToolError(f"several groups have a parameter `{first}`", "write " + " or ".join(
                f"{r.group.name}.{first}" for r, _ in owners))
    known = [f"{r.group.name}.{p.name}" for r in plan.rings for p in r.group.parameters]
    raise ToolError(f"`{name}` is neither an address nor a parameter",
                    did_you_mean(name, known) or "write GROUP.PARAMETER, or an address as 0x1A4")
