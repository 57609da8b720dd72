"""Parts that are no plain EEPROM: FRAM, which has no write time and hardly wears, and parts with a
serial number or a lockable page of their own. Plan, times and life take them as they are."""

from __future__ import annotations

import json
import math
import re

import pytest

from paramstore.core.errors import FindingsError, SourceText
from paramstore.core.status import Status
from paramstore.image.pack import pack
from paramstore.layout.figures import commit_phases, figures
from paramstore.layout.physics import bits_ms, hold_up, write_bits
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.report.pages.plan import plan_page
from paramstore.report.parts import part_text, parts_data, parts_text
from paramstore.report.plan import plan_text
from paramstore.report.plan_data import plan_data
from paramstore.schema.catalogue import all_parts, find, search
from paramstore.schema.part import Part
from paramstore.schema.reader import read_schema
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.rig.twin import TwinRig
from tests.report.pages.markup import faults

SCHEMA = """
[store]
name = "meter"
part = "PART"
supply_v = 3.3
life_years = 20
[group.counters]
role = "counter"
writes = "1 per second"
[group.counters.parameter]
energy = { type = "u64" }
[group.settings]
role = "setting"
writes = "2 per day"
[group.settings.parameter]
level = { type = "u8", default = 3 }
"""
FRAM = [p for p in all_parts() if p.write_ms == 0]
UNUSUAL = [p for p in all_parts() if p.write_ms == 0 or p.serial_bits or p.lockable_bytes]


def part(name: str) -> Part:
    found = find(name)
    assert found is not None
    return found


def plan_on(p: Part) -> Plan:
    text = SCHEMA.replace("PART", p.name)
    if p.write_ms:
        text = text[:text.index("[group.counters]")] + text[text.index("[group.settings]"):]
    return make_plan(read_schema(SourceText("meter.toml", text))[0])


def test_there_are_some() -> None:
    """FRAM of several sizes, and parts with a serial number, or a page that can be locked."""
    assert len({p.capacity for p in FRAM}) >= 3
    assert {p.maker for p in FRAM} >= {"Infineon", "Fujitsu"}
    assert all(p.endurance[0][1] >= 1e12 for p in FRAM)
    assert len([p for p in UNUSUAL if p.serial_bits]) >= 4
    assert len([p for p in UNUSUAL if p.lockable_bytes]) >= 3


@pytest.mark.parametrize("p", FRAM, ids=lambda p: p.name)
def test_fram_lasts_and_does_not_wait(p: Part) -> None:
    """A commit is bus time alone, the smallest ring lasts beyond any use, a page write needs
    hold-up for its transfer only."""
    plan = plan_on(p)
    numbers = figures(plan)
    assert [3, 3] == [r.ring.slots for r in numbers.rings]
    assert all(math.isfinite(r.life_years) and r.life_years > 1000 for r in numbers.rings)
    for ring in plan.rings:
        waited = [phase.ms for phase in commit_phases(plan, ring) if phase.kind.name == "CYCLE"]
        assert all(ms <= 0.011 for ms in waited)
    held = hold_up(p, 3.3, 400)
    assert bits_ms(write_bits(p.address_bytes, p.page), 400) == held.time_ms


@pytest.mark.parametrize("p", UNUSUAL, ids=lambda p: p.name)
def test_reports_take_them(p: Part) -> None:
    """Plans in text, JSON and as a page have no infinite, empty or exponential number."""
    plan = plan_on(p)
    text = plan_text(plan)
    for odd in ("inf", "nan", "e+"):
        assert odd not in text.replace("info", "")
    assert [] == faults(plan_page(plan))
    assert json.loads(json.dumps(plan_data(plan), allow_nan=False))
    assert json.loads(json.dumps(parts_data((p,)), allow_nan=False))
    for odd in ("inf", "nan", "e+"):
        assert odd not in part_text(p) + parts_text((p, p)).replace("Infineon", "")


def test_the_picture_of_the_hold_up_has_no_write_cycle() -> None:
    """What a part does not have is not drawn, nor named beside the picture."""
    picture = re.search(r'<svg class="fall".*?</svg>', plan_page(plan_on(part("FM24CL64B"))), re.S)
    assert picture is not None and "write cycle" not in picture[0]
    picture = re.search(r'<svg class="fall".*?</svg>', plan_page(plan_on(part("M24C64-DF"))), re.S)
    assert picture is not None and "write cycle" in picture[0]


def test_life_beyond_any_use_is_told_as_such() -> None:
    """Nobody is told of eight thousand million years."""
    assert ">1000" in plan_text(plan_on(part("FM24CL64B")))
    assert "10^14" in part_text(part("FM24CL64B"))
    assert "no write time" in part_text(part("FM24CL64B"))


@pytest.mark.parametrize("p", [FRAM[0], FRAM[-1]], ids=lambda p: p.name)
def test_a_store_works_on_fram(p: Part) -> None:
    """The store mounts and commits on a simulated part without a write time."""
    plan = plan_on(p)
    rig = TwinRig(plan, Bench(Device(p, plan.schema.address, pack(plan, {})), 400))
    assert Status.OK is rig.mount()
    for number in range(5):
        rig.set("counters", "energy", 0, [number])
        assert Status.OK is rig.commit("counters")
    assert Status.OK is rig.mount()


def test_a_part_that_does_not_answer_is_given_up() -> None:
    """Waiting has an end also where no write time gives one."""
    assert all(p.poll_us > 0 and p.timeout_us >= 1000 for p in all_parts())


def test_locked_bytes_are_no_room() -> None:
    """The half that the maker locked, with the serial number, is none of the capacity."""
    assert (128, 32) == (part("24AA02UID").capacity, part("24AA02UID").serial_bits)
    assert "24AA02UID" in {p.name for p in search("serial")}
    assert "M24C64-DF" in {p.name for p in search("lock")}
    assert "64 bits" in part_text(part("FM24VN10"))
    assert "32 bytes" in part_text(part("M24C64-DF"))


def test_life_far_beyond_its_endurance_needs_fram() -> None:
    """Where no EEPROM lasts, the advice names a part without wear."""
    text = SCHEMA.replace("PART", "24LC32A").replace("1 per second", "5 per second").replace(
        "life_years", "temperature_c = 85\nlife_years")
    with pytest.raises(FindingsError) as caught:
        make_plan(read_schema(SourceText("meter.toml", text))[0])
    named = [p.name for p in FRAM if f"use the {p.name}" in caught.value.findings[0].help]
    assert len(named) == 1
