"""Bisection finds the newest record of a ring that a look at every slot finds."""

from collections.abc import Iterator

import pytest

from paramstore.codec import build_record, read_record
from paramstore.format import skip_limit, slot_of
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.model import Group, Role, Schema
from paramstore.status import Status
from paramstore.store.newest import Found, RingReader
from paramstore.store.requests import Answer, Steps, Transfer
from paramstore.store.wire import Wire
from tests.codec.plans import one, part, plan_of

LENGTHS = (*range(2, 11), 13, 17)


def ring_plan(slots: int) -> Plan:
    """A store of one group of one byte, a record to a page."""
    group = Group("count", 1, Role.COUNTER, 1.0, (one("value", "u8", 0),))
    return plan_of(Schema("ring", part(capacity=1024, page=16), (group,)), (slots,), (0,))


def image(plan: Plan, newest: int, passed: range = range(0)) -> bytearray:
    """The part after records 1 to `newest`, of which those in `passed` did not take."""
    ring = plan.rings[0]
    memory = bytearray(b"\xff" * plan.part.capacity)
    for sequence in range(1, newest + 1):
        if sequence not in passed:
            address = ring.address(slot_of(sequence, ring.slots))
            record = build_record(plan, ring, sequence, bytes([sequence & 0xFF]))
            memory[address:address + len(record)] = record
    return memory


def find(plan: Plan, memory: bytes) -> tuple[Found, int]:
    """What the reader finds, and in how many transfers."""
    found = Found()
    steps: Steps[None] = RingReader(plan, plan.rings[0], Wire(plan)).find(found)
    transfers = 0
    try:
        request = next(steps)
        while True:
            assert isinstance(request, Transfer)
            transfers += 1
            address = int.from_bytes(request.out, "big")
            data = bytes(memory[address:address + request.in_count])
            request = steps.send(Answer(Status.OK, data))
    except StopIteration:
        return found, transfers


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


@pytest.mark.parametrize("slots", (*LENGTHS, 33, 60))
def test_bisection_finds_the_newest_in_an_undamaged_ring(slots: int) -> None:
    """For each newest position of three laps the guess is right, without a scan or a flag."""
    plan = ring_plan(slots)
    for newest in range(3 * slots + 1):
        found, transfers = find(plan, image(plan, newest))
        assert (newest, False) == (found.sequence, found.damage)
        assert (newest == 0) == (found.body is None)
        # Slot 0, the bisection, what a commit may have passed over, and the record.
        assert transfers <= 1 + (slots - 1).bit_length() + skip_limit(slots) + 1


@pytest.mark.parametrize("slots", LENGTHS)
def test_bisection_finds_the_newest_beside_one_damaged_slot(slots: int) -> None:
    """Whatever one slot holds, the greatest valid record is found.

    If the newest record is lost, that is told, unless its slot looks as it did before it.
    """
    plan = ring_plan(slots)
    ring = plan.rings[0]
    for newest in range(1, 2 * slots + 2):
        memory = image(plan, newest)
        for slot in range(slots):
            for copy in damaged(ring, memory, slot):
                found, _ = find(plan, copy)
                assert newest_left(plan, memory, slot, copy) == found.sequence
                unwritten = head(ring, copy, slot) == max(newest - slots, 0)
                assert found.sequence == newest or found.damage or unwritten


@pytest.mark.parametrize("slots", LENGTHS)
def test_bisection_finds_a_record_behind_slots_passed_over(slots: int) -> None:
    """Slots that kept their old content do not hide the record behind them: as many as a commit
    may pass over, or one less and any damage to one slot."""
    plan = ring_plan(slots)
    for count in range(1, skip_limit(slots) + 1):
        for newest in range(count + 1, 2 * slots + 2):
            memory = image(plan, newest, range(newest - count, newest))
            assert newest == find(plan, memory)[0].sequence
            for slot in range(slots) if count < skip_limit(slots) else ():
                for copy in damaged(plan.rings[0], memory, slot):
                    expected = newest_left(plan, memory, slot, copy)
                    assert expected == find(plan, copy)[0].sequence
