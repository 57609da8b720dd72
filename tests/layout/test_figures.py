"""Figures of a plan against the compiled runtime on the simulated part, bit by bit."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS
from paramstore.core.status import Status
from paramstore.layout.figures import PlanFigures, commit_phases, figures, mount_bits
from paramstore.layout.physics import POLL_BITS, read_bits
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan, Ring
from paramstore.layout.raw_conversion import Conversion, FieldMigration
from paramstore.schema.catalogue import find
from paramstore.schema.model import Field, Group, Kind, Parameter, Role, Schema
from paramstore.schema.part import Part
from paramstore.schema.reader import load_schema
from paramstore.verify.eeprom.bench import Asked, Bench, Transferred, Waited
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import Fault
from paramstore.verify.rig.native import NativeCode, NativeRig, compile_native


def group(id: int, size: int, slots: int, copies: int = 1, per_day: float = 1.0) -> Group:
    """A group of `size` bytes without room for more."""
    data = Field("data", Kind.BYTES, SCALARS["u8"], size, (0,) * size, array=True)
    parameter = Parameter("data", Kind.BYTES, (data,))
    return Group(f"g{id}", id, Role.SETTING, per_day, (parameter,), copies, slots, room=0)


def plan_on(part_name: str, groups: Sequence[Group], **schema: float) -> Plan:
    part = find(part_name)
    assert part is not None
    base = Schema("costs", part, tuple(groups), bus_khz=400, supply_v=3.3)
    return make_plan(replace(base, **schema))


SMALL = plan_on("24LC01B", [group(1, 3, 2), group(2, 12, 2)])  # label of three pages
USUAL = plan_on(
    "24LC32A",
    [group(1, 23, 2), group(2, 5, 3), group(3, 24, 4, copies=2), group(4, 100, 5),
     group(5, 1, 8), group(6, 23, 9), group(7, 10, 33)],
    bus_khz=100,
)
LARGE = plan_on("24FC1025", [group(1, 119, 3), group(2, 247, 17)], bus_khz=1000)
SLOW = plan_on("M24C32-F", [group(1, 10, 16)])  # 10 ms write cycle
SCHEMAS = Path(__file__).parents[2] / "schemas"
TANK_PROBE = make_plan(load_schema(SCHEMAS / "tank_probe.toml")[0])
PLANS = {"tank_probe": TANK_PROBE, "small": SMALL, "usual": USUAL, "large": LARGE, "slow": SLOW}


@dataclass
class Running:
    """A formatted store on its bench, idle and past every write cycle."""

    plan: Plan
    rig: NativeRig
    bench: Bench
    since: tuple[int, float] = (0, 0.0)

    def begin(self) -> None:
        """Begin to count."""
        self.bench.log.clear()
        self.since = (self.bench.bits, self.bench.now_us)

    def idle(self) -> None:
        """Let a write cycle end, and begin to count."""
        self.bench.wait(20_000)
        self.begin()

    @property
    def bits(self) -> int:
        return self.bench.bits - self.since[0]

    @property
    def us(self) -> float:
        return self.bench.now_us - self.since[1]

    @property
    def unanswered(self) -> int:
        return sum(isinstance(e, Transferred) and e.reply is None for e in self.bench.log)

    def commit(self, name: str) -> None:
        if self.plan.ring(name).group.role.protected:
            assert Status.OK == self.rig.unlock(name)
        assert Status.OK == self.rig.touch(name)
        assert Status.OK == self.rig.commit(name)


@pytest.fixture(scope="module", params=PLANS)
def code(request: pytest.FixtureRequest) -> NativeCode:
    return compile_native(PLANS[request.param])


@pytest.fixture
def running(code: NativeCode) -> Running:
    plan = code.plan
    bench = Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
    rig = NativeRig(code, bench)
    assert Status.BLANK == rig.mount()
    assert Status.OK == rig.format()
    run = Running(plan, rig, bench)
    run.idle()
    return run


def test_commit_is_counted_transfer_by_transfer(running: Running) -> None:
    """Page writes, bits, unanswered polls and time of a commit are those of the simulated part."""
    for ring in figures(running.plan).rings:
        running.idle()
        cycles = running.bench.device.cycles
        running.commit(ring.ring.group.name)
        assert ring.page_writes == running.bench.device.cycles - cycles
        assert ring.commit_polls == running.unanswered
        assert ring.commit_bits + ring.commit_polls * POLL_BITS == running.bits
        assert round(ring.commit_ms, 6) == round(running.us / 1000, 6)


def test_commit_costs_the_least_page_writes(running: Running) -> None:
    """A record costs ceil((payload + 9) / page) page writes: no flag, no second pass."""
    for ring in figures(running.plan).rings:
        payload = ring.ring.payload_bytes
        expected = math.ceil((payload + 9) / running.plan.part.page) * ring.ring.group.copies
        assert expected == ring.page_writes


def test_mount_is_exact_wherever_the_newest_record_lies(running: Running) -> None:
    """At every position of every ring a mount takes exactly the bits that were worked out."""
    names = [ring.group.name for ring in running.plan.rings]
    for ring in running.plan.rings:
        for _ in range(2 * ring.slots // ring.group.copies + 1):
            newest = {name: running.rig.sequence(name) for name in names}
            running.idle()
            running.rig.restart()
            assert Status.OK == running.rig.mount() or 0 in newest.values()
            assert mount_bits(running.plan, newest) == running.bits
            running.commit(ring.group.name)


@pytest.mark.parametrize("plan", PLANS.values(), ids=PLANS)
def test_mount_figure_is_the_most_expensive_position(plan: Plan) -> None:
    """The figure is reached where each newest record lies at its worst, and never passed."""
    worst: dict[str, int] = {ring.group.name: 0 for ring in plan.rings}
    for ring in plan.rings:
        name = ring.group.name
        worst[name] = max(range(3 * ring.slots), key=lambda n: mount_bits(plan, worst | {name: n}))
    assert mount_bits(plan, worst) == figures(plan).mount_bits


def test_mount_of_the_example_is_quick() -> None:
    """Mounting tank_probe takes at most 22 ms of bus time at 400 kHz, at its worst position; half
    of it for reading twice what speaks against a newer record, and for comparing copies."""
    assert TANK_PROBE.schema.bus_khz == 400
    assert figures(TANK_PROBE).mount_ms <= 22


def test_mount_of_a_busy_part(running: Running) -> None:
    """Right after the controller was reset in a write cycle a mount only waits longer."""
    part = running.plan.part
    name = running.plan.rings[0].group.name
    running.rig.unlock(name)
    running.rig.touch(name)
    assert Status.PENDING == running.rig.commit_begin(name)
    assert Status.PENDING == running.rig.step(0)
    assert running.bench.device.busy
    running.begin()
    running.rig.restart()
    running.rig.mount()
    waits = [e for e in running.bench.log if isinstance(e, Waited)]
    assert len(waits) == running.unanswered >= 1
    assert Asked(True) not in running.bench.log
    numbers = figures(running.plan)
    assert running.bits <= numbers.worst_mount_bits
    assert running.us <= numbers.worst_mount_ms * 1000
    assert running.unanswered * part.poll_us <= part.write_ms * 1000


def pieces_bits(width: int, ring: Ring) -> int:
    """Bits of reading a record in pieces of at most 32 bytes, as copies are compared."""
    step = min(ring.page_bytes, 32)
    return sum(read_bits(width, min(step, ring.record_bytes - at))
               for at in range(0, ring.record_bytes, step))


def test_mount_without_one_good_record(running: Running) -> None:
    """A label copy and every CRC wrong, every head right: each ring is looked through once, each
    record read twice; the worst case is more than that, for cells that read differently twice."""
    plan, device = running.plan, running.bench.device
    for ring in plan.rings:
        for _ in range(ring.slots + 1):
            running.commit(ring.group.name)
    newest = {r.group.name: running.rig.sequence(r.group.name) for r in plan.rings}
    for ring in plan.rings:
        for slot in range(ring.slots):
            device.memory[ring.address(slot) + ring.record_bytes - 1] ^= 1
    device.memory[plan.label_address(0)] ^= 1
    running.idle()
    running.rig.restart()
    assert Status.FLAGGED == running.rig.mount()
    width = plan.part.address_bytes
    more = 2 * read_bits(width, plan.label_bytes) + sum(
        2 * r.slots * read_bits(width, 4)
        + (2 * r.slots - 1) * sum(read_bits(width, length) for _, length in r.writes())
        - (r.group.copies - 1) * 2 * pieces_bits(width, r)
        for r in plan.rings)
    assert mount_bits(plan, newest) + more == running.bits
    assert running.bits < figures(plan).worst_mount_bits


class LastTry(Bench):
    """A part that does not acknowledge its address until `refusals` tries: of each page write, and
    of the reads that follow one, together."""

    refusals = 0
    refused = 0

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        if self.refused < self.refusals:
            self.refused += 1
            silent = Silent()
            self.device.faults.append(silent)
            try:
                return super().transfer(address, out, in_count)
            finally:
                self.device.faults.remove(silent)
        reply = super().transfer(address, out, in_count)
        if in_count == 0:
            self.refused = 0  # the part is busy with the page
        return reply


class Silent(Fault):
    """Acknowledges nothing."""

    def byte(self, number: int) -> bool:
        return False


def test_no_call_takes_longer_than_the_longest(code: NativeCode) -> None:
    """Mount, format, commit and wipe of a part that acknowledges at its last try end within the
    time that `plan` gives for a watchdog; that is no more than some times longer, as it also counts
    what can be read or written again."""
    plan = code.plan
    bench = LastTry(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
    rig = NativeRig(code, bench)
    bench.refusals = math.ceil(plan.part.timeout_us / plan.part.poll_us)
    numbers = figures(plan)

    def took(call: Callable[[], Status], *good: Status) -> float:
        begun = bench.now_us
        assert call() in good
        return (bench.now_us - begun) / 1000

    assert took(rig.mount, Status.BLANK) <= numbers.longest_ms["mount"]
    # A step has waited before its first try. Pages read back in pieces are asked from the first
    # piece on again, so that one which is refused often is never read to its end.
    bench.refusals = bench.refusals - 2 if plan.part.page <= 32 else 0
    shares = [took(rig.format, Status.OK) / numbers.longest_ms["format"]]
    for ring in numbers.rings:
        rig.unlock(ring.ring.group.name)
        rig.touch(ring.ring.group.name)
        share = took(lambda name=ring.ring.group.name: rig.commit(name), Status.OK)
        shares.append(share / ring.longest_ms)
    rig.restart()
    shares.append(took(rig.mount, Status.OK) / numbers.longest_ms["mount"])
    shares.append(took(rig.wipe, Status.OK) / numbers.longest_ms["wipe"])
    assert max(shares) <= 1 and (min(shares) > 0.01 or not bench.refusals)


@given(seed=st.integers(0, 1 << 32), density=st.sampled_from((0.0, 0.001, 0.02, 1.0)))
@settings(max_examples=40, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_damage_takes_more_than_the_worst_case(
    running: Running, seed: int, density: float
) -> None:
    """Whatever bytes are wrong, and if they change at each reading, the worst case is a bound."""
    random = Random(seed)

    class Flicker(Fault):
        def read(self, address: int, value: int) -> int:
            return value ^ random.getrandbits(8) if random.random() < density else value

    running.bench.device.faults = []
    running.rig.restart()
    running.rig.mount()
    for ring in running.plan.rings:
        running.commit(ring.group.name)
    running.bench.device.faults = [Flicker()]
    running.idle()
    running.rig.restart()
    running.rig.mount()
    assert running.bits <= figures(running.plan).worst_mount_bits


def polls_unanswered(first_us: int, part: Part, khz: int) -> int:
    """Counted one by one: each poll asks the part at the end of its START, a bit long."""
    bit_us = Fraction(1000, khz)
    at, unanswered = first_us + bit_us, 0
    while at < 1000 * Fraction(str(part.write_ms)):
        at += part.poll_us + POLL_BITS * bit_us
        unanswered += 1
    return unanswered


@given(write_ms=st.decimals(Decimal("0.1"), 30, places=2).map(float),
       khz=st.sampled_from([100, 400, 1000]))
@example(write_ms=2.0, khz=1000)  # a poll ends a microsecond before the cycle
@example(write_ms=4.2, khz=1000)  # one with it
def test_polls_are_those_within_the_write_cycle(write_ms: float, khz: int) -> None:
    """In a mount the first one comes right after the STOP of a write before it, in a commit the
    firmware waits first."""
    def of(part: Part) -> PlanFigures:
        return figures(replace(SMALL, schema=replace(SMALL.schema, part=part, bus_khz=khz)))

    part = replace(SMALL.part, write_ms=write_ms)
    numbers, without = of(part), of(replace(part, write_ms=0))
    assert polls_unanswered(0, part, khz) * POLL_BITS == (
        numbers.worst_mount_bits - without.worst_mount_bits)
    each = polls_unanswered(part.poll_us, part, khz)
    assert [ring.page_writes * each for ring in numbers.rings] == [
        ring.commit_polls for ring in numbers.rings]


def test_life() -> None:
    """Life counts copies and slots, at the endurance of the store's temperature."""
    plan = plan_on("24LC32A", [group(1, 5, 4, copies=2, per_day=24.0)], temperature_c=85)
    numbers = figures(plan)
    assert round(numbers.endurance / 1000) == 268  # 1 M at 25 degC, see tests of wear
    ring = numbers.ring("g1")
    assert ring.commits == int(numbers.endurance * 4 / 2)
    assert round(ring.commits / 24 / 365.25, 3) == round(ring.life_years, 3)
    assert ring.spare == ring.life_years / plan.schema.life_years
    with pytest.raises(KeyError):
        numbers.ring("g2")


def test_group_that_is_never_written() -> None:
    """A group without writes lives for ever."""
    numbers = figures(plan_on("24LC32A", [group(1, 5, 3, per_day=0.0)]))
    assert numbers.rings[0].life_years == math.inf == numbers.rings[0].spare


def test_hold_up_and_strength_are_those_of_the_plan() -> None:
    """Supply, clock and record lengths of the plan go into hold-up and error detection."""
    numbers = figures(USUAL)
    assert (3.3, 2.5) == (numbers.hold_up.from_v, numbers.hold_up.to_v)
    assert numbers.hold_up.time_ms == 3.17 + 5
    assert [8 * (r.record_bytes - 4) for r in USUAL.rings] == [
        r.strength.data_bits for r in numbers.rings]


@pytest.mark.parametrize("name", PLANS)
def test_phases_make_up_a_commit(name: str) -> None:
    """Where the time of a commit goes adds up to how long it takes."""
    for figure in figures(PLANS[name]).rings:
        phases = commit_phases(PLANS[name], figure.ring)
        assert math.isclose(figure.commit_ms, sum(p.ms for p in phases))
        assert figure.page_writes == sum(p.kind.value.startswith("page write") for p in phases)


def test_what_is_taken_over_is_read_twice_in_a_mount() -> None:
    """Every byte of it on its own, at most four times: two in a row must agree. Three words
    of 4 bytes are 48 reads of one byte more."""
    u32 = SCALARS["u32"]
    migration = FieldMigration(1, "data", 1, 2, 0, 1, 0, 3, Conversion(u32, u32))
    without, with_it = (figures(p) for p in (USUAL, replace(USUAL, migrations=(migration,))))
    assert 48 * read_bits(2, 1) == with_it.worst_mount_bits - without.worst_mount_bits
    assert with_it.longest_ms["mount"] > without.longest_ms["mount"]
