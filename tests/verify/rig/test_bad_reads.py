"""One bad read decides nothing: the part alone restarts inside a read, whose rest reads FF."""

from __future__ import annotations

from itertools import count

import pytest

from paramstore.core.status import Health, Status
from paramstore.record import build_label
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.faults import Fault
from tests.engines import Engines
from tests.record.plans import EXAMPLE
from tests.releases.histories import tank_probe
from tests.verify.rig.stores import USED, image, with_fault


class RestartsInRead(Fault):
    """From byte `number` of all that are read on, the rest of that transfer reads FF."""

    def __init__(self, bench: Bench, number: int) -> None:
        self._bench = bench
        self._left = number
        self._transfer = -1

    def read(self, address: int, value: int) -> int:
        self._left -= 1
        if self._left == 0:
            self._transfer = len(self._bench.log)
        return 0xFF if self._transfer == len(self._bench.log) else value

    @property
    def happened(self) -> bool:
        return self._left <= 0


def restarts(engines: Engines, number: int) -> list[RestartsInRead]:
    """Let the part of each engine restart in byte `number` that is read from now on."""
    faults: list[RestartsInRead] = []

    def add(bench: Bench) -> None:
        faults.append(RestartsInRead(bench, number))
        bench.device.faults.append(faults[-1])

    engines.each(add)
    return faults


FIRST_LAP = USED
SECOND_LAP = image(*[("limits", n, {"current": (1000 + (n - 1) // 2,)}) for n in range(3, 7)],
                   ("user", 4, {"low": (-1,)}), ("user", 5, {"low": (-2,)}))


@pytest.mark.parametrize("memory", [FIRST_LAP, SECOND_LAP], ids=["first lap", "second lap"])
def test_mount_serves_the_same_wherever_a_read_breaks_off(memory: bytes) -> None:
    """At every byte of the mount: the newest records, and no flag but of an unreadable slot."""
    sound = Engines(EXAMPLE, memory)
    sound.call("mount")
    groups = [ring.group.name for ring in EXAMPLE.rings]
    for number in count(1):
        engines = Engines(EXAMPLE, memory)
        faults = restarts(engines, number)
        assert engines.call("mount") in (Status.OK, Status.FLAGGED)
        if not faults[0].happened:
            break
        for group in groups:
            assert sound.twin.values(group) == engines.twin.values(group)
            assert sound.twin.sequence(group) == engines.twin.sequence(group)
            assert Health.DAMAGE | engines.twin.health(group) == Health.DAMAGE
    assert number > 100


def test_a_commit_keeps_what_it_reads_wherever_a_read_breaks_off() -> None:
    """Bytes of a later release: the commit fails, or they are in the new record as they were."""
    former, plan = tank_probe().plans[-2:]
    ring = next(r for r in former.rings
                if plan.ring(r.group.name).payload_bytes > r.payload_bytes)
    group = ring.group.name
    for number in count(1):
        part = Engines(plan)
        for call in (("mount",), ("format",), ("unlock", group), ("touch", group),
                     ("commit", group)):
            assert part.call(*call) in (Status.OK, Status.BLANK)
        engines = Engines(former, bytes(part.device.memory))
        engines.call("mount")
        for call in ("unlock", "touch"):
            engines.call(call, group)
        faults = restarts(engines, number)
        status = engines.call("commit", group)
        if not faults[0].happened:
            break
        assert status in (Status.OK, Status.ERR_BUS)
        after = Engines(plan, bytes(engines.device.memory))
        assert after.call("mount") in (Status.OK, Status.FLAGGED)
        assert part.twin.values(group) == after.twin.values(group)
        torn = Health(0) if status is Status.OK else Health.DAMAGE
        assert torn == torn | after.twin.health(group) & ~Health.COPIES
    assert number > 10


class ReadsErased(Fault):
    """The part does not drive the bus: everything reads FF."""

    def read(self, address: int, value: int) -> int:
        return 0xFF


def test_format_does_not_believe_a_mount_that_read_nothing() -> None:
    """The part stays as it is, and the next mount serves it."""
    engines = Engines(EXAMPLE, USED)
    with_fault(engines, ReadsErased)
    assert Status.BLANK is engines.call("mount")
    engines.each(lambda bench: bench.device.faults.clear())
    assert Status.ERR_FOREIGN is engines.call("format")
    assert Status.ERR_FOREIGN is engines.call("provision", None)
    assert (USED, 0) == (engines.device.memory, engines.device.cycles)
    assert Status.OK is engines.call("mount")
    assert (7,) == engines.twin.values("limits")["current"]


def test_format_leaves_foreign_data_in_a_ring_alone() -> None:
    """At every byte of every slot: the part is refused, and nothing is written."""
    blank = bytearray(b"\xff" * EXAMPLE.part.capacity)
    for at in range(EXAMPLE.rings[0].address(0), EXAMPLE.rings[-1].address(2)):
        if not any(r.address(0) <= at < r.address(r.slots) for r in EXAMPLE.rings):
            continue
        memory = bytearray(blank)
        memory[at] = 0x5A
        engines = Engines(EXAMPLE, bytes(memory))
        if engines.call("mount") is Status.BLANK:
            assert Status.ERR_FOREIGN is engines.call("format")
        assert Status.ERR_FOREIGN is engines.call("format")
        assert (memory, 0) == (engines.device.memory, engines.device.cycles)


def test_a_later_label_is_left_alone_by_format() -> None:
    """Formatting a part whose label is well writes nothing."""
    for plan in tank_probe().plans[-2:]:
        engines = Engines(plan)
        for call in ("mount", "format"):
            engines.call(call)
        memory = bytes(engines.device.memory)
        older = Engines(tank_probe().plans[-2], memory)
        assert Status.FLAGGED is older.call("mount")
        assert Status.OK is older.call("format")
        assert (memory, 0) == (older.device.memory, older.device.cycles)
    assert memory.startswith(build_label(tank_probe().plans[-1]))
