"""What lies where on a part of a store: label copies, slots, pages that nothing has.

Knows a Plan; with a dump, also what its slots hold.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

from paramstore.core.format import CRC_BYTES, ERASED, HEADER_BYTES, RECORD_PARTS
from paramstore.image.contents import SlotState
from paramstore.inspect.regions import (
    ByteRun,
    ChangedByte,
    Claim,
    GroupBlock,
    NamedPlace,
    Places,
    Region,
    RegionKind,
    Thing,
    ThingKind,
    ThingState,
)
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.store import StoreExamination
from paramstore.layout.plan import PlacedField, Plan, Ring
from paramstore.record import build_label, label_places
from paramstore.schema.bits import Bits, whole_bytes
from paramstore.schema.model import Field, Kind

__all__ = ["StorePlaces"]

_LABEL_NAMES = {"version": "format version", "store_id": "store id", "layout_id": "layout id",
                "lineage": "releases before", "name": "store name", "crc": "CRC of the label"}
_RECORD_NAMES = {"sequence": "sequence number"}
"""Parts of a label and a record that are called otherwise for people."""
_UNDIVIDED = (Kind.TEXT, Kind.BYTES)


class StorePlaces(Places):
    """The part of `plan`, with what a dump of it holds if there is one."""

    def __init__(self, plan: Plan, found: StoreExamination | None = None) -> None:
        self._plan, self._found = plan, found
        self.name, self.size = plan.part.name, plan.part.capacity
        self.page = plan.part.page
        if found is not None:
            self.data, self.gaps = found.contents.image, found.dump.gaps

    # ---- Regions -----------------------------------------------------------------------------

    @cached_property
    def regions(self) -> tuple[Region, ...]:
        """All regions, in order and without gaps."""
        taken = [*map(self._label, (0, 1)),
                 *(self._slot(index, ring, slot) for index, ring in enumerate(self._plan.rings)
                   for slot in range(ring.slots)), *map(self._retired, self._plan.retired)]
        regions, at = [], 0
        for region in sorted(taken, key=lambda region: region.first):
            if region.first > at:
                regions.append(self._free(at, region.first))
            regions.append(region)
            at = region.end
        return (*regions, self._free(at, self.size)) if at < self.size else tuple(regions)

    def _label(self, copy: int) -> Region:
        plan, found = self._plan, self._found
        first = plan.label_address(copy)
        return Region(
            RegionKind.LABEL, first, first + plan.label_pages * plan.part.page,
            f"label copy {copy}", lambda: self._label_runs(copy, first), number=copy,
            whole=found is None or found.contents.labels[copy] is not None,
            changed=tuple(map(ChangedByte, self._damaged(copy))))

    def _label_runs(self, copy: int, first: int) -> Iterator[ByteRun]:
        number = 0
        for name, at in label_places(self._plan.part.page).items():
            if at.stop > at.start:  # a label may have no name
                yield self._frame(_LABEL_NAMES.get(name, name), f"l{copy}.{number}",
                                  first + at.start, first + at.stop)
                number += 1
        yield self._frame("behind the label", f"l{copy}.{number}", first + self._plan.label_bytes,
                          first + self._plan.label_pages * self._plan.part.page, ThingKind.BEHIND)

    def _damaged(self, copy: int) -> tuple[int, ...]:
        """Return the offsets of the bytes of a label copy that were changed; none of a copy that is
        whole, erased or not all in the dump. It is held against the other copy if that is whole,
        else against the label that a part of this store has."""
        plan, found = self._plan, self._found
        if found is None or found.contents.labels[copy] is not None:
            return ()
        first, size = plan.label_address(copy), plan.label_bytes
        stored = found.contents.image[first:first + size]
        if self.lacks(first, first + size) or stored.count(ERASED) == size:
            return ()
        other = plan.label_address(1 - copy)
        whole = found.contents.labels[1 - copy] is not None
        wanted = found.contents.image[other:other + size] if whole else build_label(plan)
        return tuple(at for at, (a, b) in enumerate(zip(stored, wanted, strict=True)) if a != b)

    def _slot(self, index: int, ring: Ring, slot: int) -> Region:
        verdict, name = self._verdict(ring, slot), ring.group.name
        newest = self._newest(ring)
        flipped = verdict is not None and verdict.kind is SlotKind.FLIPPED and verdict.repair
        return Region(
            RegionKind.SLOT, ring.address(slot), ring.address(slot + 1), f"{name}, slot {slot}",
            lambda: self._slot_runs(index, ring, slot), name, index, slot, verdict,
            changed=tuple(ChangedByte(b.offset, b.bit) for b in flipped.bits) if flipped else (),
            newest=None if newest is None else ring.address(newest))

    def _verdict(self, ring: Ring, slot: int) -> SlotVerdict | None:
        verdicts = self._found.slots.get(ring.group.name) if self._found else None
        return verdicts[slot] if verdicts else None

    def _newest(self, ring: Ring) -> int | None:
        newest = self._found.contents.group(ring.group.name).newest if self._found else None
        return newest.number if newest else None

    def _slot_runs(self, index: int, ring: Ring, slot: int) -> Iterator[ByteRun]:
        """Yield what is in a slot; in a record of an earlier revision what was appended since is
        room."""
        verdict, start = self._verdict(ring, slot), ring.address(slot)
        revision = verdict.revision if verdict else None
        state = ThingState.ERASED if self._erased(ring, slot) else None
        number, end = 0, 0

        def key() -> str:
            nonlocal number
            number += 1
            return f"g{index}s{slot}.{number - 1}"

        for part in RECORD_PARTS:
            yield self._frame(_RECORD_NAMES.get(part.name, part.name), key(), start + end,
                              start + end + part.size, state=state)
            end += part.size
        for stretch in ring.stretches:
            if revision is not None and stretch.since > revision:
                break  # so are all behind it
            first = start + HEADER_BYTES + stretch.offset
            if isinstance(stretch, PlacedField):
                yield self._field(ring, slot, stretch, key())
                end = HEADER_BYTES + stretch.offset + stretch.field.size
            else:
                yield self._frame(f"reserved, once `{stretch.name}`", key(), first,
                                  first + stretch.size, ThingKind.RESERVED, state)
                end = HEADER_BYTES + stretch.offset + stretch.size
        crc = start + ring.record_bytes - CRC_BYTES
        if start + end < crc:
            yield self._frame("room", key(), start + end, crc, ThingKind.ROOM, state)
        yield self._frame("CRC of the record", key(), crc, crc + CRC_BYTES, state=state)
        yield self._frame("behind the record", key(), crc + CRC_BYTES, ring.address(slot + 1),
                          ThingKind.BEHIND, state)

    def _erased(self, ring: Ring, slot: int) -> bool:
        slots = self._found.contents.group(ring.group.name).slots if self._found else ()
        return bool(slots) and slots[slot].state is SlotState.ERASED

    def _frame(self, title: str, key: str, first: int, end: int,
               kind: ThingKind = ThingKind.FRAME, state: ThingState | None = None) -> ByteRun:
        data = self._data(first, end)
        return ByteRun(first, end, (Thing(title, kind, key, state=state, data=data),))

    def _data(self, first: int, end: int) -> bytes:
        return b"" if self.data is None or self.lacks(first, end) else self.data[first:end]

    def _field(self, ring: Ring, slot: int, placed: PlacedField, key: str = "") -> ByteRun:
        field, width = placed.field, placed.field.scalar.size
        first = ring.address(slot) + HEADER_BYTES + placed.offset
        data, state, elements = self._data(first, first + field.size), None, None
        verdict = self._verdict(ring, slot)
        revision = verdict.revision if verdict and verdict.revision else ring.revision
        if self._found is not None:
            state = (ThingState.UNREAD if not data else
                     ThingState.ERASED if self._erased(ring, slot) else
                     ThingState.EARLY if placed.since > revision else ThingState.SOUND)
        if state is ThingState.SOUND:
            elements = tuple(field.scalar.unpack(data[at:at + width])
                             for at in range(0, len(data), width))
        several = field.count > 1 and field.kind not in _UNDIVIDED
        return ByteRun(first, first + field.size, (Thing(
            field.name, ThingKind.FIELD, key, field, state, data, elements, revision=revision),),
            width=width if several else 0)

    def _retired(self, ring: Ring) -> Region:
        title = f"group `{ring.group.name}`, which was taken out"
        first, end = ring.address(0), ring.address(ring.slots)
        return Region(RegionKind.RETIRED, first, end, title, lambda: [self._frame(
            title, "", first, end, ThingKind.NOTHING)], ring.group.name)

    def _free(self, first: int, end: int) -> Region:
        return Region(RegionKind.FREE, first, end, "free", lambda: self._free_runs(first, end))

    def _free_runs(self, first: int, end: int) -> Iterator[ByteRun]:
        """Yield free pages: what is not erased, and the rest."""
        at = first
        for low, high in self._found.unallocated if self._found else ():
            if first <= low < end:
                yield ByteRun(at, low, (), "free", free=True)
                yield ByteRun(low, high, (), "not erased")
                at = high
        yield ByteRun(at, end, (), "free", free=True)

    # ---- Addresses and names -----------------------------------------------------------------

    def claims(self, address: int) -> list[Claim]:
        """Return what has the byte at an address: on free pages, the page."""
        region = self.region_at(address)
        if region.kind is RegionKind.FREE:
            page = self._plan.part.page
            first = address - address % page
            run = self._frame("a free page", "", first, first + page, ThingKind.NOTHING)
        else:
            run = region.run_at(address)
        (thing,), first, width = run.things, run.first, run.end - run.first
        field, name, element = thing.field, thing.title, 0
        if field is not None and field.kind not in _UNDIVIDED:
            width = field.scalar.size
            element = (address - run.first) // width
            first += element * width
            name = f"{name}[{element}]" if field.array or field.count > 1 else name
        elif field is not None:
            element = address - first
        return [Claim(thing, name, element, range(first, first + width), 8 * width, Bits(address),
                      8 * (address - first))]

    def blocks(self) -> Iterator[GroupBlock]:
        """Yield every slot of every ring."""
        for ring in self._plan.rings:
            named, newest = self._named(ring), self._newest(ring)
            for slot in range(ring.slots):
                yield GroupBlock(f"slot {slot}", (ring.group.name,), ring.address(slot), named,
                                 slot, slot == newest)

    def _named(self, ring: Ring) -> dict[str, NamedPlace]:
        placed = {p.field.name: p for p in ring.fields}
        return {parameter.name: NamedPlace(tuple(
            (f, tuple(whole_bytes(HEADER_BYTES + placed[f.name].offset + i * f.scalar.size,
                                  f.scalar.size, "little") for i in range(f.count)))
            for f in parameter.fields)) for parameter in ring.group.parameters}

    def thing(self, block: GroupBlock, field: Field | None, name: str) -> Thing:
        """Return a field as it stands in a slot."""
        assert block.number is not None and field is not None, "blocks of a store are slots"
        ring = self._plan.ring(block.names[0])
        (thing,) = self._field(ring, block.number, ring.placed(field)).things
        return thing
