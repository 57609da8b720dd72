"""What happens to a store on a target, beside the twin: each answer, value and transfer alike.

The same for each plan: values at the ends of their types and limits, a migration from every earlier
release, calls at random with power cuts and damage, conversions.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from paramstore.core.errors import FindingsError
from paramstore.core.scalars import SCALARS, Raw, Scalar, ScalarForm
from paramstore.core.status import Health, Status
from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.layout.plan import Plan
from paramstore.record import CodecError
from paramstore.schema.model import Field, Kind
from paramstore.verify.eeprom.bench import Transferred
from paramstore.verify.eeprom.faults import CutAtByte, CutAtWrite, Tear, Torn
from paramstore.verify.rig.compiled import CompiledRig
from paramstore.verify.rig.twin import TwinRig
from tests.engines import Engines, bench_for, payload
from tests.firmware.conversions import ROWS, Row, check_decimals, check_real
from tests.targets.converters import KEPT
from tests.targets.machines import RemoteMachine

__all__ = [
    "Counts",
    "RemoteConverter",
    "TargetEngines",
    "convert_all",
    "edges",
    "migrate",
    "random_calls",
]


@dataclass
class Counts:
    """What was compared with the twin, and what the store said."""

    calls: int = 0
    transfers: int = 0
    bus_bytes: int = 0  # sent and received in those transfers
    part_bytes: int = 0  # of parts, at the end of each life
    values: int = 0  # elements served
    conversions: int = 0  # with Python's exact numbers
    said: Counter[Status] = field(default_factory=Counter)


class TargetEngines(Engines):
    """The twin and the store on a target, each on a part of its own."""

    def __init__(self, plan: Plan, machine: RemoteMachine, counts: Counts,
                 image: bytes = b"") -> None:
        self.plan, self.counts = plan, counts
        self.twin = TwinRig(plan, bench_for(plan, image))
        self.native = CompiledRig(plan, bench_for(plan, image), machine)

    def call(self, name: str, *arguments: Any) -> Status | None:
        """Make a call on both, and count it."""
        status = super().call(name, *arguments)
        self.counts.calls += 1
        if status is not None:
            self.counts.said[status] += 1
        return status

    def compare(self) -> None:
        """Demand that nothing tells the two apart; count what was looked at."""
        for event in self.native.bench.log:
            if isinstance(event, Transferred):
                self.counts.transfers += 1
                self.counts.bus_bytes += len(event.out) + len(event.reply or b"")
        self.counts.values += sum(f.count for r in self.plan.rings for f in r.group.fields)
        super().compare()

    def end(self) -> None:
        """Boot once more; the host decodes the part of the target to the values served there."""
        self.restart(power=True)
        status = self.call("mount")
        image = bytes(self.native.bench.device.memory)
        assert image == self.twin.bench.device.memory
        self.counts.part_bytes += len(image)
        if status in (Status.OK, Status.FLAGGED):
            for group in unpack(self.plan, image).groups:
                name = group.ring.group.name
                fields = group.ring.group.fields
                decoded = b"".join(f.scalar.pack(raw) for f in fields
                                   for raw in group.values[f.name])
                assert decoded == payload(self.native, name), name


# ---- Lives --------------------------------------------------------------------------------------


def edges(engines: TargetEngines) -> None:
    """Give a field of each type and limits the values where these end, and commit them."""
    seen = set()
    assert Status.BLANK is engines.call("mount")
    assert Status.OK is engines.call("format")
    for ring in engines.plan.rings:
        name = ring.group.name
        for described in ring.group.fields:
            sort = (described.scalar.name, described.kind, described.limits, described.rising)
            if sort in seen:
                continue
            seen.add(sort)
            for raw in edge_raws(described):
                engines.call("unlock", name)
                engines.call("set", name, described.name, described.count - 1, [raw])
                if engines.call("set", name, described.name, 0, [raw]) is Status.OK:
                    engines.call("commit", name)
            engines.call("unlock", name)
            engines.call("reset_field", name, described.name)
        engines.call("commit", name)
        engines.call("reload", name)
    engines.end()


def edge_raws(described: Field) -> list[Raw]:
    """Where the type, a limit, or an integer of 8, 16, 32 or 64 bits ends."""
    scalar = described.scalar
    if scalar.form is ScalarForm.FLOAT:
        return [0.0, -0.0, math.inf, math.nan, scalar.minimum, scalar.maximum,
                *(end for pair in described.limits.ranges for end in pair)]
    asked = {1 << bit for bit in (7, 8, 15, 16, 31, 32, 63)}
    asked |= {-n for n in asked} | {0, int(scalar.minimum), int(scalar.maximum)}
    asked |= {int(end) for pair in described.limits.ranges for end in pair}
    asked |= {described.limits.mask or 0}
    asked |= {n + d for n in asked for d in (-1, 1)}
    return sorted(n for n in asked if scalar.minimum <= n <= scalar.maximum)


def migrate(engines: Callable[[bytes], TargetEngines], earlier: Sequence[Plan],
              chance: random.Random) -> None:
    """A part that firmware of each earlier release has written is mounted, and made one of this."""
    for old in earlier:
        unit = engines(used_part(old, chance))
        assert Status.OLDER is unit.call("mount"), old.release
        assert Status.OK is unit.call("format"), old.release
        unit.end()


def used_part(plan: Plan, chance: random.Random) -> bytes:
    """The part of a unit in use, by the twin."""
    twin = TwinRig(plan, bench_for(plan))
    assert (Status.BLANK, Status.OK) == (twin.mount(), twin.format())
    for ring in plan.rings:
        group, accepted = ring.group, Status.ERR_RULE
        while accepted is not Status.OK:
            twin.unlock(group.name)
            for f in group.fields:
                if twin.set(group.name, f.name, 0, some_raws(f, chance)) is not Status.OK:
                    twin.reset_field(group.name, f.name)
            twin.touch(group.name)
            accepted = twin.commit(group.name)
            for f in group.fields if accepted is not Status.OK else ():
                if chance.randrange(2):
                    twin.reset_field(group.name, f.name)
            accepted = accepted if accepted is Status.OK else twin.commit(group.name)
    return bytes(twin.bench.device.memory)


def some_raws(f: Field, chance: random.Random) -> list[Raw]:
    """Elements within the limits of a field; a rising axis rises."""
    if f.kind is Kind.TEXT:
        return list("aµ9 _𝄞"[:f.count // 4].encode().ljust(f.count, b"\0"))
    raws = [some_raw(f, chance) for _ in range(f.count)]
    return sorted(raws) if f.rising else raws


def some_raw(f: Field, chance: random.Random) -> Raw:
    """An element within the limits of a field."""
    if f.limits.mask is not None:
        return chance.getrandbits(8 * f.scalar.size) & f.limits.mask
    low, high = chance.choice(f.limits.ranges) if f.limits.ranges else (
        f.scalar.minimum, f.scalar.maximum)
    if f.scalar.form is ScalarForm.FLOAT:
        return as_stored(f.scalar, chance.uniform(max(low, -1e30), min(high, 1e30)), low, high)
    return chance.choice((int(low), int(high), chance.randint(int(low), int(high))))


def as_stored(scalar: Scalar, number: float, low: Raw, high: Raw) -> float:
    """A number that the type holds, between two others that it holds."""
    value = float(scalar.unpack(scalar.pack(number)))
    return min(max(value, float(low)), float(high))


# ---- Calls at random ----------------------------------------------------------------------------


def random_calls(engines: TargetEngines, chance: random.Random, count: int) -> None:
    """Calls of every kind, restarts, power cuts and damage."""
    engines.call("mount")
    engines.call("format")
    for _ in range(count):
        ring = chance.choice(engines.plan.rings)
        name, f = ring.group.name, chance.choice(ring.group.fields)
        match chance.randrange(12):
            case 0 | 1 | 2:
                engines.call("unlock", name)
                engines.call("set", name, f.name, 0, some_raws(f, chance))
                engines.call("commit", name)
            case 3:
                first = chance.randrange(f.count)
                engines.call("set", name, f.name, first, [chance.choice(edge_raws(f))])
            case 4:
                engines.call("set_text", name, f.name, chance.choice(("", "aµ", "𝄞" * 8)))
            case 5:
                if not any(Health.DIRTY in engines.twin.health(r.group.name)
                           for r in engines.plan.rings):
                    engines.poke(name, f.name, 0, [chance.choice(edge_raws(f))])
                    engines.call("touch", name)
            case 6:
                engines.call(chance.choice(("reset", "lock", "unlock", "refresh", "reload")), name)
            case 7:
                _in_steps(engines, name)
            case 8:
                _cut(engines, name, chance)
            case 9:
                _damage(engines, chance)
            case 10:
                engines.restart(power=bool(chance.randrange(2)))
                engines.call("mount")
            case 11:
                _rare(engines, chance)
    engines.end()


def _in_steps(engines: TargetEngines, group: str) -> None:
    engines.call("unlock", group)
    engines.call("touch", group)
    status = engines.call("commit_begin", group)
    while status is Status.PENDING:
        engines.each(lambda bench: bench.wait(1000))
        status = engines.call("step", 1000)


def _cut(engines: TargetEngines, group: str, chance: random.Random) -> None:
    """A commit that the power leaves, or that it does not reach."""
    tear = Tear(chance.choice(list(Torn)), chance.randint(1, 31), chance.getrandbits(16))
    ahead, at_write = chance.randint(1, 3), chance.randrange(2)
    engines.call("unlock", group)
    engines.call("touch", group)

    def arm(bench: Any) -> None:
        device = bench.device
        device.faults.append(CutAtWrite(device.cycles + ahead, tear) if at_write
                             else CutAtByte(ahead * 20, tear))

    engines.each(arm)
    engines.call("commit", group)
    engines.each(lambda bench: bench.device.faults.clear())
    engines.restart(power=True)
    engines.call("mount")


def _damage(engines: TargetEngines, chance: random.Random) -> None:
    """Bits of both parts change while they are switched off."""
    plan = engines.plan
    end = max(ring.address(ring.slots - 1) + ring.record_bytes for ring in plan.rings)
    flips = [(chance.randrange(end), 1 << chance.randrange(8))
             for _ in range(chance.choice((1, 9)))]

    def flip(bench: Any) -> None:
        for at, bit in flips:
            bench.device.memory[at] ^= bit

    engines.each(flip)
    engines.restart(power=True)
    engines.call("mount")


def _rare(engines: TargetEngines, chance: random.Random) -> None:
    """A part made new, and given factory values."""
    assert Status.OK is engines.call("wipe")
    engines.restart(power=True)
    engines.call("mount")
    engines.call("provision", factory_image(engines.plan, chance) if chance.randrange(2) else None)


def factory_image(plan: Plan, chance: random.Random) -> bytes | None:
    """An image with some values; None if it is larger than what the monitor takes."""
    if plan.part.capacity > 4096:
        return None
    values = {r.group.name: {f.name: tuple(some_raws(f, chance)) for f in r.group.fields}
              for r in plan.rings}
    try:
        return pack(plan, values)
    except (FindingsError, CodecError):  # they break a rule between values
        return pack(plan, complete(plan, {}))


# ---- Conversions --------------------------------------------------------------------------------


class RemoteConverter:
    """`tests.firmware.conversions.Converter` on a target."""

    def __init__(self, machine: RemoteMachine, counts: Counts) -> None:
        self.machine, self.counts = machine, counts

    def forth(self, name: str, row: Row, verb: str, kind: str, raws: Sequence[int]) -> list[Any]:
        """Return what `verb` makes of each raw value."""
        self.counts.conversions += len(raws)
        return [result for _, result in self.machine.convert(f"unit_{verb}_settings_{name}", raws)]

    def back(self, name: str, row: Row, verb: str, kind: str,
             values: Sequence[Any]) -> list[int | None]:
        """Return the raw values; None where it was refused."""
        self.counts.conversions += len(values)
        found = self.machine.convert(f"unit_{verb}_settings_{name}", values)
        assert all(status == 0 or (status, raw) == (Status.ERR_LIMIT, KEPT)
                   for status, raw in found)
        return [raw if status == 0 else None for status, raw in found]


def convert_all(machine: RemoteMachine, counts: Counts) -> None:
    """Both ways, whole numbers and floating point, of every row that the target can convert."""
    converter = RemoteConverter(machine, counts)
    small = machine.facts.double_bytes < 8
    for i, row in enumerate(ROWS):
        name, raws = f"p{i}", target_raws(row)
        assert machine.has(f"unit_decimal_settings_{name}") == bool(row.decimal), i
        there = bool(row.real) and not (small and row.real == "double")
        assert machine.has(f"unit_physical_settings_{name}") == there, i
        if row.decimal:
            check_decimals(converter, row, name, raws)
        if there:
            check_real(converter, row, name, raws)


def target_raws(row: Row) -> list[int]:
    """Every value of 8 bits; of wider ones the ends of types, and some between."""
    scalar = SCALARS[row.scalar]
    low, high = int(scalar.minimum), int(scalar.maximum)
    if scalar.size == 1:
        return list(range(low, high + 1))
    asked = {n + d for bit in (0, 7, 8, 15, 16, 24, 31, 32, 53, 63) for n in (1 << bit, -1 << bit)
             for d in (-1, 0, 1)} | {low, low + 1, high - 1, high, 0}
    asked |= {1234567891}  # comes back as another number through a float
    chance = random.Random(2)
    asked |= {chance.randint(low, high) for _ in range(400)}
    return sorted(n for n in asked if low <= n <= high)
