"""The C on other processors does what it does here: same answers, bytes, transfers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from paramstore.core.status import Health, Status
from paramstore.layout.plan import Plan
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.base import Rig
from paramstore.verify.rig.compiled import CompiledRig
from paramstore.verify.rig.native import NativeRig, compile_native
from tests.firmware.builds import EXAMPLES, example_plan
from tests.firmware.emulated import CORTEX_M0PLUS, POWERPC, EmulatedMachine, Processor, link


def bench_for(plan: Plan) -> Bench:
    """A bench with a blank part."""
    return Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)


def story(rig: Rig) -> list[Any]:
    """What happens to a unit in its life, and all that it says: made, set, cut, mounted."""
    seen: list[Any] = [rig.mount(), rig.format()]
    for ring in rig.plan.rings:
        group = ring.group
        seen += [rig.unlock(group.name), rig.reset(group.name)]
        for field in group.fields:
            # The top of every range is where signs and byte orders would show.
            top = field.limits.ranges[-1][1] if field.limits.ranges else field.scalar.maximum
            if field.limits.mask is not None:
                top = field.limits.mask
            seen.append(rig.set(group.name, field.name, field.count - 1, [top]))
            seen.append(rig.set(group.name, field.name, 0, [field.scalar.maximum]))
        seen.append(rig.commit(group.name))
        seen.append(rig.values(group.name))
        seen += [rig.reset(group.name), rig.unlock(group.name), rig.reset(group.name)]
    seen.append(rig.commit_all())
    last = rig.plan.rings[-1].group.name
    rig.bench.device.faults = [CutAtWrite(rig.bench.device.cycles + 1, Tear(Torn.PREFIX, 7))]
    rig.unlock(last)
    rig.touch(last)
    with pytest.raises(PowerCut):
        rig.commit(last)
    rig.bench.device.faults = []
    rig.power_cycle()
    seen.append(rig.mount())
    for ring in rig.plan.rings:
        name = ring.group.name
        seen += [rig.values(name), rig.health(name), rig.sequence(name)]
    return seen


@pytest.mark.parametrize("processor", [CORTEX_M0PLUS, POWERPC], ids=lambda p: p.name)
@pytest.mark.parametrize("name", EXAMPLES)
def test_other_processors_agree_with_this_one(name: str, processor: Processor,
                                              tmp_path: Path) -> None:
    """A whole life on a 32-bit Thumb and on a big-endian processor, transfer by transfer."""
    plan = example_plan(name)
    here = NativeRig(compile_native(plan, tmp_path / "here"), bench_for(plan))
    machine = EmulatedMachine(link(plan, processor, tmp_path / "there"), processor)
    there = CompiledRig(plan, bench_for(plan), machine)
    expected = story(here)
    assert expected == story(there)
    assert here.bench.log == there.bench.log
    assert here.bench.device.memory == there.bench.device.memory
    assert Status.OK in expected and Status.ERR_LIMIT in expected


def test_the_story_is_not_empty(tmp_path: Path) -> None:
    """The comparison above compares something: values changed, a page torn and passed by."""
    plan = example_plan("tank_probe")
    rig = NativeRig(compile_native(plan, tmp_path), bench_for(plan))
    seen = story(rig)
    assert Status.FLAGGED in seen
    assert any(isinstance(s, Health) and Health.DAMAGE in s for s in seen)
    assert rig.bench.device.cycles > 15
    assert seen.count(Status.OK) > 50
