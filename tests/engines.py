"""Both engines of a store side by side: the twin and the compiled C, each on a bench of its own.

Whatever is done is done to both, and everything that can be seen of them must be the same after:
answers, values, flags, sequence numbers, the bytes on the part, its wear, and every transfer, wait
and supply question in order.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

from paramstore.core.status import Status
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.catalogue import find
from paramstore.schema.model import Group, Kind, Role, Schema, ValueLimits
from paramstore.schema.reader import load_schema
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import PowerCut
from paramstore.verify.rig.base import Rig
from paramstore.verify.rig.native import NativeCode, NativeRig, compile_native
from paramstore.verify.rig.twin import TwinRig
from tests.record.plans import EXAMPLE, one, plan_of

__all__ = ["PLANS", "Engines", "bench_for", "payload"]


_SCHEMAS = Path(__file__).parents[1] / "schemas"


def _other_parts() -> list[Plan]:
    """Small stores on parts that differ in page, addressing and block-select bits."""
    plans = []
    for name in ("24LC01B", "24LC16B", "24LC1025", "M24M01-R"):
        part = find(name)
        assert part is not None
        small = part.capacity < 1024
        groups = (
            Group("unit", 3, Role.IDENTITY, 0.01, (
                one("serial", "u8", *b"A1\0\0", kind=Kind.TEXT),
                one("options", "u8", 1, kind=Kind.FLAGS, limits=ValueLimits(mask=0b101),
                    members=(("lid", 0), ("fan", 2))),
            ), copies=2),
            Group("use", 1, Role.COUNTER, 100.0, (
                one("starts", "u32", 0),
                *([] if small else [one("hours", "f64", *[0.0] * 30, kind=Kind.FLOAT, array=True,
                                        limits=ValueLimits(((0.0, 1e9),)))]),
            )),
        )
        plans.append(plan_of(Schema("part", part, groups), (3, 2) if small else (3, 7),
                             (0, 0) if small else (0, 3)))
    return plans


PLANS = {
    "FORMAT.md": EXAMPLE,
    "tank_probe": make_plan(load_schema(_SCHEMAS / "tank_probe.toml")[0]),
    **{plan.part.name: plan for plan in _other_parts()},
}


def bench_for(plan: Plan, image: bytes = b"") -> Bench:
    """A bench with the part of a plan."""
    return Bench(Device(plan.part, plan.schema.address, image), plan.schema.bus_khz)


def payload(rig: Rig, group: str) -> bytes:
    """The values of a group as bytes: -0.0 is not 0.0, a NaN is itself."""
    values = rig.values(group)
    return b"".join(
        field.scalar.pack(raw)
        for field in rig.plan.schema.group(group).fields
        for raw in values[field.name]
    )


@lru_cache(maxsize=64)
def compiled(plan: Plan, spelling: str) -> NativeCode:
    """The C of a plan, compiled once. `spelling` tells plans apart that differ in 0.0 and -0.0."""
    return compile_native(plan)


class Engines:
    """The twin and the compiled C of one plan, freshly started, on a new part."""

    def __init__(self, plan: Plan, image: bytes = b"") -> None:
        self.plan = plan
        self.twin = TwinRig(plan, bench_for(plan, image))
        self.native = NativeRig(compiled(plan, repr(plan)), bench_for(plan, image))

    @property
    def device(self) -> Device:
        """The twin's part; the other one is like it."""
        return self.twin.bench.device

    def each(self, act: Callable[[Bench], object]) -> None:
        """Do something to both benches."""
        act(self.twin.bench)
        act(self.native.bench)

    def call(self, name: str, *arguments: Any) -> Status | None:
        """Make the same call on both and compare; None if the power was cut in it."""
        answers = [self._try(rig, name, arguments) for rig in (self.twin, self.native)]
        assert answers[0] == answers[1]
        if answers[0] is None:
            for rig in (self.twin, self.native):
                rig.power_cycle()
        else:
            self.compare()
        return answers[0]

    def poke(self, group: str, field: str, first: int, raws: Any) -> None:
        """Write into the values of both."""
        self.twin.poke(group, field, first, raws)
        self.native.poke(group, field, first, raws)

    def restart(self, power: bool) -> None:
        """Reset both controllers, or take the power from controller and part."""
        for rig in (self.twin, self.native):
            if power:
                rig.power_cycle()
            else:
                rig.restart()

    def compare(self) -> None:
        """Demand that nothing tells the two apart."""
        twin, native = self.twin.bench, self.native.bench
        assert twin.log == native.log
        assert twin.now_us == native.now_us
        assert twin.device.memory == native.device.memory
        assert twin.device.wear == native.device.wear
        for bench in (twin, native):
            bench.log.clear()
        for ring in self.plan.rings:
            group = ring.group.name
            assert self.twin.health(group) == self.native.health(group)
            assert self.twin.sequence(group) == self.native.sequence(group)
            assert payload(self.twin, group) == payload(self.native, group)

    @staticmethod
    def _try(rig: Rig, name: str, arguments: tuple[Any, ...]) -> Status | None:
        try:
            status: Status = getattr(rig, name)(*arguments)
        except PowerCut:
            return None
        return status
