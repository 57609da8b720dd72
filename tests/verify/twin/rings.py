"""Rings of one small group, whole and damaged, for tests of how the newest record is found."""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.core.format import slot_of
from paramstore.layout.plan import Plan, Ring
from paramstore.record import build_label, build_record, read_record
from paramstore.schema.model import Group, Role, Schema
from tests.record.plans import one, part, plan_of


def ring_plan(slots: int) -> Plan:
    """A store of one group of one byte, a record to a page."""
    group = Group("count", 1, Role.COUNTER, 1.0, (one("value", "u8", 0),))
    return plan_of(Schema("ring", part(capacity=1024, page=16), (group,)), (slots,), (0,))


def image(plan: Plan, newest: int, passed: range = range(0)) -> bytearray:
    """The part after records 1 to `newest`, of which those in `passed` did not take."""
    ring = plan.rings[0]
    memory = bytearray(b"\xff" * plan.part.capacity)
    label = build_label(plan)
    for copy in (0, 1):
        memory[plan.label_address(copy):plan.label_address(copy) + len(label)] = label
    for sequence in range(1, newest + 1):
        if sequence not in passed:
            address = ring.address(slot_of(sequence, ring.slots))
            record = build_record(plan, ring, sequence, bytes([sequence & 0xFF]))
            memory[address:address + len(record)] = record
    return memory


def head(ring: Ring, memory: bytes, slot: int) -> int:
    """The number at the head of a slot; 0 if it is erased."""
    address = ring.address(slot)
    number = int.from_bytes(memory[address:address + 4], "little")
    return 0 if number == 0xFFFF_FFFF else number


def damaged(ring: Ring, memory: bytearray, slot: int) -> Iterator[bytearray]:
    """The image with one slot damaged: its body, the whole of it, and its head in ways that might
    lead a bisection astray."""
    address = ring.address(slot)
    old = memory[address:address + 10]
    number = int.from_bytes(old[:4], "little")
    last = (0xFFFF_FFFE - slot - 1) // ring.slots * ring.slots + slot + 1
    heads = {number + lap * ring.slots for lap in (-2, -1, 1, 2)}
    heads |= {0, 0xFFFF_FFFF, number ^ 1, slot + 1, last, last - ring.slots}
    contents = [h.to_bytes(4, "little") + old[4:] for h in heads if 0 <= h < 1 << 32]
    contents += [bytes(10), b"\xff" * 10, old[:9] + b"\x00", old[:5] + b"\x99" + old[6:]]
    for content in contents:
        if content != old:
            yield memory[:address] + content + memory[address + 10:]


def newest_left(plan: Plan, memory: bytearray, slot: int, copy: bytearray) -> int:
    """The newest record of `copy` by FORMAT.md, section 4, where `slot` was damaged; 0 if none."""
    ring = plan.rings[0]
    record = read_record(plan, ring, slot, bytes(copy[ring.address(slot):]))
    others = (head(ring, memory, other) for other in range(ring.slots) if other != slot)
    return max(record.sequence if record.valid else 0, *others)
