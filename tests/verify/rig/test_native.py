"""The compiled C on the bench: power cuts come out whole, memory is what the calls say."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from paramstore.core.status import Health, Status
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.record import decode_body, default_payload, read_record
from paramstore.schema.model import Schema
from paramstore.schema.reader import load_schema
from paramstore.verify.eeprom.bench import Bench, Waited
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import BusError, CutAtByte, Fault, PowerCut, Tear, Torn
from paramstore.verify.rig.native import NativeCode, NativeRig, compile_native
from tests.strategies import schema_raws, schemas

SCHEMAS = Path(__file__).parents[3] / "schemas"
GROUP = "settings"


@pytest.fixture(scope="module")
def code() -> NativeCode:
    """The example module, compiled once."""
    return compile_native(make_plan(load_schema(SCHEMAS / "tank_probe.toml")[0]))


def new_rig(code: NativeCode) -> NativeRig:
    """A store on a new part."""
    plan = code.plan
    return NativeRig(code, Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz))


@pytest.fixture
def rig(code: NativeCode) -> NativeRig:
    """A store that is mounted and formatted."""
    rig = new_rig(code)
    assert Status.BLANK == rig.mount()
    assert Status.OK == rig.format()
    return rig


def record_of(rig: NativeRig, group: str) -> dict[str, tuple[int | float, ...]]:
    """The newest record of a group as the part holds it, by the codec."""
    ring = rig.plan.ring(group)
    slot = (rig.sequence(group) - 1) % ring.slots
    record = read_record(rig.plan, ring, slot, bytes(rig.bench.device.memory[ring.address(slot):]))
    assert record.valid and record.sequence == rig.sequence(group)
    return decode_body(ring, record.body)


# ---- Power --------------------------------------------------------------------------------------


def test_a_power_cut_comes_out_of_the_call(rig: NativeRig) -> None:
    """The exception of the bench passes through the C to whoever called."""
    tear = Tear(Torn.NOISE, seed=3)
    rig.bench.device.faults = [CutAtByte(rig.bench.device.bytes_seen + 5, tear)]
    rig.set(GROUP, "interval", 0, [60])
    with pytest.raises(PowerCut) as caught:
        rig.commit(GROUP)
    assert tear == caught.value.tear


def test_after_a_cut_the_c_changes_nothing_more(code: NativeCode) -> None:
    """Cut at every byte of a commit: from then on nothing reaches bench or part."""
    rig = new_rig(code)
    rig.mount()
    rig.format()
    before = rig.bench.device.bytes_seen
    rig.set(GROUP, "interval", 0, [60])
    assert Status.OK == rig.commit(GROUP)
    total = rig.bench.device.bytes_seen - before
    assert total > 50
    for number in range(1, total + 1):
        rig = new_rig(code)
        rig.mount()
        rig.format()
        device = rig.bench.device
        device.faults = [CutAtByte(device.bytes_seen + number)]
        rig.set(GROUP, "interval", 0, [60])
        with pytest.raises(PowerCut):
            rig.commit(GROUP)
        assert device.bytes_seen == before + number
        held = (bytes(device.memory), rig.bench.bits, rig.bench.waited_us, len(rig.bench.log))
        rig.power_cycle()
        assert held == (bytes(device.memory), rig.bench.bits, rig.bench.waited_us,
                        len(rig.bench.log))
        device.faults = []
        assert rig.mount() in (Status.OK, Status.FLAGGED)
        assert rig.values(GROUP)["interval"] in ((10,), (60,))


def test_the_c_ends_soon_after_a_cut(code: NativeCode) -> None:
    """A dead port answers ERR_BUS: the runtime gives up instead of asking on."""
    rig = new_rig(code)
    rig.mount()
    rig.format()
    asked = []
    transfer = rig.transfer

    def counted(address: int, out: bytes, in_count: int) -> tuple[Status, bytes]:
        asked.append(address)
        return transfer(address, out, in_count)

    rig.transfer = counted
    rig.restart()
    device = rig.bench.device
    device.faults = [CutAtByte(device.bytes_seen + 1)]
    with pytest.raises(PowerCut):
        rig.mount()
    assert 1 == len(asked)


@pytest.mark.parametrize("trouble", [KeyboardInterrupt, RuntimeError("a bug of ours")])
def test_whatever_the_bench_raises_comes_out(rig: NativeRig, trouble: BaseException) -> None:
    """An interrupt by the user, or a bug, is not swallowed on its way through C."""

    class Raises(Fault):
        def byte(self, number: int) -> bool:
            raise trouble

    rig.bench.device.faults = [Raises()]
    with pytest.raises(trouble if isinstance(trouble, type) else type(trouble)):
        rig.mount()


def test_a_bus_error_is_a_status(rig: NativeRig) -> None:
    """What a port reports is returned, and the store can be used again."""

    class Broken(Fault):
        def byte(self, number: int) -> bool:
            raise BusError

    rig.bench.device.faults = [Broken()]
    assert Status.ERR_BUS == rig.mount()
    rig.bench.device.faults = []
    assert rig.mount() in (Status.OK, Status.FLAGGED)


def test_a_restart_begins_with_garbage_in_memory(rig: NativeRig) -> None:
    """Nothing relies on memory that happens to be zero."""
    rig.set(GROUP, "interval", 0, [77])
    rig.restart()
    assert Health.DEFAULTS == rig.health(GROUP)
    assert 0 == rig.sequence(GROUP)
    assert Status.ERR_STATE == rig.commit_begin(GROUP)
    assert Status.FLAGGED == rig.mount()
    assert (10,) == rig.values(GROUP)["interval"]


# ---- Values -------------------------------------------------------------------------------------


def test_rigs_of_one_library_are_apart(code: NativeCode) -> None:
    """Each rig has its own memory and its own part."""
    one, two = new_rig(code), new_rig(code)
    for rig in (one, two):
        rig.mount()
    one.set(GROUP, "interval", 0, [30])
    assert ((30,), (10,)) == (one.values(GROUP)["interval"], two.values(GROUP)["interval"])


def test_the_library_outlives_its_temporary_folder(code: NativeCode) -> None:
    """A collected code object takes its folder along, never a rig in use."""
    rig = NativeRig(compile_native(code.plan), Bench(Device(code.plan.part)))
    gc.collect()
    assert Status.BLANK == rig.mount()


def test_a_text_goes_in_as_utf_8(rig: NativeRig) -> None:
    """A text of the wrong length is refused, one that fits is stored."""
    assert Status.OK == rig.set_text(GROUP, "label", "Größe 温")
    assert "Größe 温".encode().ljust(16, b"\0") == bytes(rig.values(GROUP)["label"])
    assert Status.ERR_ARGUMENT == rig.set_text(GROUP, "label", "seventeen letters")
    assert Status.OK == rig.set_text(GROUP, "label", "sixteen letters!")
    assert Status.OK == rig.commit(GROUP)
    assert b"sixteen letters!" == bytes(record_of(rig, GROUP)["label"])


def test_poke_goes_past_every_check(rig: NativeRig) -> None:
    """A value written behind the back of the store is caught by the commit."""
    rig.poke(GROUP, "interval", 0, [0])
    assert (0,) == rig.values(GROUP)["interval"]
    assert Status.OK == rig.commit(GROUP)  # nobody said that it changed
    rig.touch(GROUP)
    assert Status.ERR_LIMIT == rig.commit(GROUP)
    with pytest.raises(IndexError):
        rig.poke(GROUP, "interval", 1, [0])


def test_a_commit_in_steps_makes_no_wait(rig: NativeRig) -> None:
    """ps_step lets the caller's loop go on; it ends as the blocking call does."""
    rig.set(GROUP, "interval", 0, [60])
    status, steps = rig.commit_begin(GROUP), 0
    while status == Status.PENDING:
        rig.bench.wait(250)  # what the loop of the caller does meanwhile
        rig.bench.log.clear()
        status = rig.step(250)
        assert not any(isinstance(event, Waited) for event in rig.bench.log)
        steps += 1
    assert Status.OK == status
    assert 10 < steps < 100
    assert (60,) == record_of(rig, GROUP)["interval"]


def test_the_names_of_statuses_are_those_of_the_header(code: NativeCode) -> None:
    """C and Python call a status the same."""
    assert [f"PS_{s.name}" for s in Status] == [code.status_name(s) for s in Status]
    assert "PS_ERR_ARGUMENT" == code.status_name(len(Status))


@given(st.data())
@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_schema_keeps_any_values(data: st.DataObject) -> None:
    """Set by C and read by the codec, field by field; then mounted by C again."""
    schema: Schema = data.draw(schemas())
    plan: Plan = make_plan(schema)
    values = data.draw(schema_raws(schema))
    rig = new_rig(compile_native(plan))
    assert (Status.BLANK, Status.OK) == (rig.mount(), rig.format())
    for ring in plan.rings:
        group = ring.group.name
        assert default_payload(ring) == b"".join(
            f.scalar.pack(r) for f in ring.group.fields for r in rig.values(group)[f.name])
        rig.unlock(group)
        for name, raws in values[group].items():
            assert Status.OK == rig.set(group, name, 0, raws)
        rig.touch(group)
        assert Status.OK == rig.commit(group)
        assert values[group] == record_of(rig, group)
    rig.power_cycle()
    assert Status.OK == rig.mount()
    assert values == {ring.group.name: rig.values(ring.group.name) for ring in plan.rings}
