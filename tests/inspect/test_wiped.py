"""A part that was wiped: blank for the host where it is for the firmware, and no old value left."""

from __future__ import annotations

import pytest

from paramstore.core.status import Status
from paramstore.files.forms import FORMS, read_dump
from paramstore.image.contents import LabelState, unpack
from paramstore.image.diagnose import diagnose
from paramstore.image.pack import pack
from paramstore.inspect.slots import SlotKind
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.which import Candidate
from paramstore.layout.plan import Plan
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.twin import TwinRig
from tests.engines import PLANS

TEARS = (Tear(Torn.OLD), Tear(Torn.NEW), Tear(Torn.ERASED), Tear(Torn.PREFIX, 5),
         Tear(Torn.SUFFIX, 3), Tear(Torn.AND), Tear(Torn.NOISE, seed=1))


def used(plan: Plan) -> TwinRig:
    """A part on which every group was committed a few times."""
    image = pack(plan, {}, defaults=True)
    rig = TwinRig(plan, Bench(Device(plan.part, plan.schema.address, image), 400))
    assert Status.OK is rig.mount()
    for group in plan.schema.groups:
        for _ in range(3):
            rig.unlock(group.name)
            rig.touch(group.name)
            assert Status.OK is rig.commit(group.name)
    return rig


def examined(plan: Plan, image: bytes) -> StoreExamination:
    return examine_store(read_dump(image, "x.bin", FORMS["bin"]), [Candidate("x.toml", plan)])


def cut(rig: TwinRig, action: str, number: int, tear: Tear, *arguments: str) -> bool:
    """Do something that is cut at its page write `number`; whether it was."""
    device = rig.bench.device
    device.faults[:] = [CutAtWrite(device.cycles + 1 + number, tear)]
    try:
        getattr(rig, action)(*arguments)
        return False
    except PowerCut:
        return True
    finally:
        device.faults.clear()
        rig.power_cycle()


@pytest.mark.parametrize("name", PLANS)
def test_a_wiped_part_is_blank_and_a_formatted_one_has_no_records(name: str) -> None:
    """Every byte is FF; after the format there is a label, and nothing that was ever cut."""
    plan = PLANS[name]
    rig = used(plan)
    assert Status.OK is rig.wipe()
    image = bytes(rig.bench.device.memory)
    assert plan.part.capacity == image.count(0xFF)
    assert ["PS604"] == [f.code for f in diagnose(unpack(plan, image), "x")]
    rig.power_cycle()
    assert (Status.BLANK, Status.OK) == (rig.mount(), rig.format())
    found = examined(plan, bytes(rig.bench.device.memory))
    assert [("PS613", "warning")] * len(plan.rings) == [
        (f.code, f.severity.value) for f in found.findings]
    assert {SlotKind.ERASED} == {v.kind for of in found.slots.values() for v in of}
    assert () == found.unallocated


@pytest.mark.parametrize("name", PLANS)
def test_a_first_commit_that_is_cut_after_a_wipe_shows_nothing_of_before(name: str) -> None:
    """Only the torn slot is told, as a first write."""
    plan = PLANS[name]
    rig = used(plan)
    rig.wipe()
    rig.power_cycle()
    rig.mount()
    rig.format()
    clean, group = bytes(rig.bench.device.memory), plan.schema.groups[-1]
    for number in range(len(list(plan.ring(group.name).writes()))):
        for tear in TEARS[:5]:
            rig.bench.device.memory[:] = clean
            rig.power_cycle()
            rig.mount()
            rig.unlock(group.name)
            rig.touch(group.name)
            assert cut(rig, "commit", number, tear, group.name)
            found = examined(plan, bytes(rig.bench.device.memory))
            codes = {f.code for f in found.findings if group.name in f.message}
            if found.contents.group(group.name).newest is None:
                assert codes & {"PS613", "PS612"}, (number, tear, codes)
            for verdict in found.slots[group.name]:
                assert verdict.tear is None or verdict.tear.old_sequence is None


@pytest.mark.parametrize("name", PLANS)
def test_a_wipe_that_is_cut(name: str) -> None:
    """Host and firmware say the same after every page of it: all is there, it has to be ended, or
    the part is blank."""
    plan = PLANS[name]
    rig = used(plan)
    before, number = bytes(rig.bench.device.memory), 0
    seen = set()
    while True:
        for tear in TEARS:
            rig.bench.device.memory[:] = before
            rig.power_cycle()
            rig.mount()
            ended = not cut(rig, "wipe", number, tear)
            contents = unpack(plan, bytes(rig.bench.device.memory))
            status = rig.mount()
            seen.add((contents.label_state, status))
            if contents.label_state is LabelState.ERASING:
                assert Status.ERR_FOREIGN is status
                assert not contents.readable
                assert ["PS618"] == [f.code for f in diagnose(contents, "x")]
            elif contents.readable:
                assert status in (Status.OK, Status.FLAGGED)
                assert {g.ring.group.name: g.values for g in contents.groups} == {
                    g.name: rig.values(g.name) for g in plan.schema.groups}
            else:
                assert status is Status.BLANK or contents.label_state is LabelState.DAMAGED
        if ended:
            break
        number += 1
    assert {LabelState.OURS, LabelState.ERASING, LabelState.BLANK} <= {state for state, _ in seen}
