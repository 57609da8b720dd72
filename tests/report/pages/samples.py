"""Dumps to make pages of: units that have lived through something, small and large."""

from __future__ import annotations

import random
from functools import cache

from paramstore.core.disk import read_bytes, read_text
from paramstore.core.status import Status
from paramstore.files.forms import FORMS, read_dump
from paramstore.image.pack import pack
from paramstore.inspect.fixed import examine_fixed
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.which import Candidate
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.report.pages.fixed import fixed_page, layout_page
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.reader import load_schema
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.twin import TwinRig

__all__ = ["edid_page", "examined", "example", "full_rack", "layout_of_edid",
           "many_findings", "used_probe"]


@cache
def example(name: str) -> Plan:
    """The plan of an example schema."""
    return make_plan(load_schema(f"schemas/{name}.toml")[0])


def examined(plan: Plan, image: bytes, name: str = "unit.bin") -> StoreExamination:
    """What a dump of that content says."""
    return examine_store(read_dump(image, name, FORMS["bin"]), (Candidate("schema.toml", plan),))


def edid_page() -> str:
    """The page of a real EDID block."""
    layout, _ = read_layout(read_text("schemas/edid.fixed.toml"))
    data = read_bytes("tests/data/edid-goldstar-ite6604.bin")
    return fixed_page(examine_fixed(read_dump(data, "edid.bin", FORMS["bin"]), layout))


def layout_of_edid() -> str:
    """The page of the layout of an EDID block."""
    return layout_page(read_layout(read_text("schemas/edid.fixed.toml"))[0])


@cache
def used_probe() -> bytes:
    """A tank_probe after some weeks: settings changed, electrode calibrated, one commit of settings
    cut, one bit of an older record lost, and bytes of somebody else on a free page."""
    plan = example("tank_probe")
    image = pack(plan, {}, defaults=True)
    rig = TwinRig(plan, Bench(Device(plan.part, plan.schema.address, image), 400))
    assert rig.mount() in (Status.OK, Status.FLAGGED)
    for day in range(40):
        rig.set("counters", "running", 0, [1440 * day])
        rig.set("counters", "temp_max", 0, [1200 + 37 * day % 500])
        assert rig.commit("counters") is Status.OK
    for slope in (-58.75, -58.5, -57.25):
        rig.unlock("electrode")
        rig.set("electrode", "ph_slope", 0, [slope])
        assert rig.commit("electrode") is Status.OK
    for interval, name in ((30, "north 1"), (20, "north 1"), (20, "north 2")):
        rig.set("settings", "interval", 0, [interval])
        rig.set_text("settings", "label", name)
        assert rig.commit("settings") is Status.OK
    rig.set_text("settings", "label", "quarantine")
    rig.set("settings", "ph_low", 0, [700])
    device = rig.bench.device
    device.faults = [CutAtWrite(device.cycles + 2, Tear(Torn.PREFIX, 11))]
    try:
        rig.commit("settings")
    except PowerCut:
        pass
    else:
        raise AssertionError("the commit was not cut")
    image = bytearray(device.memory)
    older = plan.ring("counters").address(2)
    image[older + 7] ^= 0x10
    image[0x0900:0x0920] = b"</pre><script>alert(1)</script>\x1b"
    return bytes(image)


@cache
def full_rack() -> bytes:
    """A kiln_rack on a 128 KB part: every slot of every ring written, all free pages full of
    random bytes."""
    plan, chance = example("large"), random.Random(3)
    device = Device(plan.part, plan.schema.address, pack(plan, {}, defaults=True))
    rig = TwinRig(plan, Bench(device, 400))
    assert rig.mount() in (Status.OK, Status.FLAGGED)
    for ring in plan.rings:
        for _ in range(ring.slots + 1):
            if ring.group.role.protected:
                rig.unlock(ring.group.name)
            rig.touch(ring.group.name)
            assert rig.commit(ring.group.name) is Status.OK
    image = bytearray(device.memory)
    taken = {page for r in plan.rings for page in range(r.first_page, r.first_page + r.pages)}
    for page in range(2 * plan.label_pages, plan.part.pages):
        if page not in taken:
            at = page * plan.part.page
            image[at:at + plan.part.page] = chance.randbytes(plan.part.page)
    return bytes(image)


@cache
def many_findings() -> bytes:
    """The used tank_probe with both labels and several more records damaged."""
    plan, image = example("tank_probe"), bytearray(used_probe())
    for copy in (0, 1):
        image[plan.label_address(copy) + 9 + copy] ^= 0x10
    for ring in plan.rings:
        written = [ring.address(slot) for slot in range(ring.slots)
                   if image[ring.address(slot):ring.address(slot) + 4] != b"\xff" * 4]
        for address in written[-2:]:
            image[address + 8] ^= 0x21 + address // 32 % 64
            image[address + 9] ^= 0x42
    return bytes(image)
