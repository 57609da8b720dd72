"""Bisection finds the newest record of a ring that a look at every slot finds."""

import pytest

from paramstore.core.format import skip_limit
from paramstore.core.status import Status
from paramstore.layout.plan import Plan
from paramstore.verify.twin.newest import Found, RingReader
from paramstore.verify.twin.wire import Answer, Steps, Transfer, Wire
from tests.verify.twin.rings import damaged, head, image, newest_left, ring_plan

LENGTHS = (*range(2, 11), 13, 17)


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


@pytest.mark.parametrize("slots", (*LENGTHS, 33, 60))
def test_bisection_finds_the_newest_in_an_undamaged_ring(slots: int) -> None:
    """For each newest position of three laps the guess is right, without a scan or a flag."""
    plan = ring_plan(slots)
    for newest in range(3 * slots + 1):
        found, transfers = find(plan, image(plan, newest))
        assert (newest, False) == (found.sequence, found.damage)
        assert (newest == 0) == (found.body is None)
        # Slot 0, the bisection, what a commit may have passed over, twice where they speak
        # against a newer record; and the record.
        assert transfers <= 2 * (1 + (slots - 1).bit_length() + skip_limit(slots)) + 1


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
