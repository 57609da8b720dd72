"""PORTING.md is true: its code compiles and links, its names exist, its bounds hold."""

from __future__ import annotations

import math
import random
import re
from pathlib import Path

import pytest

import paramstore.firmware
from paramstore.core.status import Health, Status
from paramstore.firmware.generate import generate, port_files, runtime_files
from paramstore.image.pack import pack
from paramstore.verify.eeprom.bench import Asked, Bench, Transferred
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import Fault
from paramstore.verify.rig.native import NativeRig, compile_native
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.engines import Engines
from tests.firmware.builds import example_plan, host_compilers, write, write_store
from tests.releases.histories import past_of

PAGE = (Path(paramstore.firmware.__file__).parent / "PORTING.md").read_text("utf-8")

# What a board has: the only C that the page leaves to the reader.
BOARD = """
void board_report(const char *text);
void board_do_the_work(void);
uint16_t board_microseconds(void);
void store_begin(void);
void store_begin_in_software(void);
void store_begin_provisioned(void);
ps_status_t store_set_interval(uint16_t seconds);
ps_status_t store_set_ph_low(float ph);
void main_loop(void);
ps_status_t store_write_all(void);
"""
BOARD_BODIES = """
static ps_status_t board_transfer(void *user, uint8_t address, const uint8_t *out,
                                  uint16_t out_count, uint8_t *in, uint16_t in_count)
{
    (void)user, (void)address, (void)out, (void)out_count, (void)in, (void)in_count;
    return PS_ERR_NACK;
}
static void board_wait_us(void *user, uint16_t us) { (void)user, (void)us; }
static bool board_supply_good(void *user) { (void)user; return true; }
static void board_scl(void *pins, bool high) { (void)pins, (void)high; }
static void board_sda(void *pins, bool high) { (void)pins, (void)high; }
static bool board_scl_level(void *pins) { (void)pins; return true; }
static bool board_sda_level(void *pins) { (void)pins; return true; }
static void board_half_period(void *pins) { (void)pins; }
"""


def blocks() -> list[str]:
    """The C of the page, block by block."""
    return re.findall(r"```c\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
def test_the_code_of_the_page_compiles_in_order(compiler: Compiler, tmp_path: Path) -> None:
    """Put one after another, with the functions of a board, without a warning."""
    write(write_store(tmp_path, example_plan("tank_probe")), port_files())
    first, *rest = blocks()
    assert 7 == len(rest)
    source = tmp_path / "board.c"
    source.write_text("\n".join([first, BOARD, *rest, BOARD_BODIES]), "utf-8")
    compiler.object(source, tmp_path / "board.o", WARNINGS)


def test_every_name_of_the_page_exists() -> None:
    """Functions, constants, statuses and files are called what they are called."""
    files = {**generate(example_plan("tank_probe")), **runtime_files()}
    ports = port_files() | port_files(linux=True)
    known = "\n".join([*files.values(), ports["bitbang.h"]])
    for name in set(re.findall(r"\b(?:ps_|PS_|tank_probe_|TANK_PROBE_)\w+", PAGE)):
        assert re.search(rf"\b{name.removesuffix('_params')}", known), name
    double = "\n".join(generate(example_plan("large")).values())  # has conversions in double
    standard = set(re.findall(r"#include <(.*?)>", known + double))
    assert {*files, *standard} == {
        file for file in re.findall(r"`(\w+\.[ch])`", PAGE) if file not in ports}


def section(title: str) -> str:
    """A section of the page by its heading."""
    found = re.search(rf"^##+ {title}\n(.*?)(?=^## |\Z)", PAGE, re.DOTALL | re.MULTILINE)
    assert found is not None
    return found[1]


def test_the_contract_is_numbered_without_a_gap() -> None:
    """Points are cited by their numbers."""
    numbers = re.findall(r"^(\d+)\. ", section("2. The port"), re.MULTILINE)
    assert [str(n) for n in range(1, len(numbers) + 1)] == numbers


class Silent(Fault):
    """A part that answers to nothing."""

    def byte(self, number: int) -> bool:
        return False


@pytest.mark.parametrize("name", ["minimal", "tank_probe", "large"])
def test_a_silent_part_is_asked_as_often_as_the_page_says(name: str, tmp_path: Path) -> None:
    """At most 42 transfers before ERR_NACK, in mount and in a commit."""
    assert "at most 42 times" in " ".join(PAGE.split())
    plan = example_plan(name)
    bench = Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
    rig = NativeRig(compile_native(plan, tmp_path), bench)
    rig.mount()
    rig.format()
    group = plan.rings[-1].group.name
    rig.unlock(group)
    rig.touch(group)
    bench.device.faults = [Silent()]
    for call in (lambda: rig.commit(group), rig.mount):
        bench.log.clear()
        assert Status.ERR_NACK == call()
        asked = [event for event in bench.log if isinstance(event, Transferred)]
        assert 40 <= len(asked) <= 42


@pytest.mark.parametrize("name", ["minimal", "tank_probe", "large"])
def test_what_the_port_is_asked_for_is_what_the_page_says(name: str, tmp_path: Path) -> None:
    """Sizes of transfers, the supply question before each write, no wait of no time."""
    plan = example_plan(name)
    bench = Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
    rig = NativeRig(compile_native(plan, tmp_path), bench)
    assert [Status.BLANK, Status.OK] == [rig.mount(), rig.format()]
    assert Status.FLAGGED == rig.mount()
    for ring in plan.rings:
        rig.unlock(ring.group.name)
        rig.touch(ring.group.name)
    assert Status.OK == rig.commit_all()
    rig.power_cycle()
    assert Status.OK == rig.mount()
    page, k = plan.part.page, plan.part.address_bytes
    before: object = None
    for event in bench.log:
        match event:
            case Transferred(_, out, in_count, _):
                assert k <= len(out) <= 2 + page
                assert in_count <= max(page, 32)
                if len(out) > k:
                    assert in_count == 0 and before == Asked(True)
        before = event


def test_a_new_part_mounts_well_once_everything_was_written(tmp_path: Path) -> None:
    """Section 9, steps 1 and 2: a commit alone writes nothing on a new part; unlocked and touched,
    every group is written, as the function of the page does it."""
    plan = example_plan("tank_probe")
    bench = Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
    rig = NativeRig(compile_native(plan, tmp_path), bench)
    assert [Status.BLANK, Status.OK, Status.FLAGGED] == [rig.mount(), rig.format(), rig.mount()]
    before = len(bench.log)
    assert (Status.OK, before) == (rig.commit_all(), len(bench.log))
    assert Status.FLAGGED == rig.mount()
    calls = re.findall(r"ps_(\w+)\(&probe", section("9. Check the port"))
    assert ["unlock", "touch", "commit_all"] == calls
    for ring in plan.rings:
        assert Status.ERR_LOCKED == rig.touch(ring.group.name) or not ring.group.role.protected
        assert [Status.OK] * 2 == [rig.unlock(ring.group.name), rig.touch(ring.group.name)]
    assert Status.OK == rig.commit_all()
    rig.power_cycle()
    assert Status.OK == rig.mount()


RELEASES = [f"""[store]
name = "bench"
part = "24LC04B"

[group.cal]
role = "calibration"
writes = "2 per year"

[group.cal.parameter]
gain = {{ type = "u16", min = {low}, max = 1100, default = 1000 }}

[group.settings]
role = "setting"
writes = "1 per day"
room = 8

[group.settings.parameter]
delay = {{ {delay} }}
level = {{ type = "u8", max = {high}, default = 3 }}
""" for low, high, delay in (
    (900, 99, 'type = "u16", unit = "s", max = 3600'),
    (950, 90, 'type = "u8", unit = "min", max = 30, default = 5, convert = { divisor = 60 }'))]


def test_a_value_outside_narrower_limits_is_kept_as_the_page_says() -> None:
    """Section 4: a group of which nothing is migrated stays flagged, and its value on the part,
    until it is unlocked and committed; one of which something is, is committed by `ps_format`,
    with its default, and earlier firmware still finds what was converted."""
    assert "every mount returns `PS_FLAGGED` until it is committed" in " ".join(PAGE.split())
    past = past_of(RELEASES)
    old = {"cal": {"gain": (920,)}, "settings": {"delay": (3000,), "level": (95,)}}
    engines = Engines(past.plan(2), pack(past.plan(1), old))

    def health(*groups: str) -> list[Health]:
        return [engines.twin.health(group) for group in groups]

    assert Status.OLDER == engines.call("mount")
    both = Health.LIMIT | Health.MIGRATED | Health.DIRTY
    assert [Health.LIMIT, both] == health("cal", "settings")
    values = {g: engines.twin.values(g) for g in old}
    assert {"cal": {"gain": (1000,)}, "settings": {"delay": (5,), "level": (3,)}} == values
    assert Status.OK == engines.call("format")
    for _ in range(2):
        engines.restart(power=True)
        assert Status.FLAGGED == engines.call("mount")
        assert [Health.LIMIT, Health(0)] == health("cal", "settings")
    earlier = Engines(past.plan(1), bytes(engines.device.memory))
    assert Status.OK == earlier.call("mount")
    assert old["cal"] == earlier.twin.values("cal")
    assert {"delay": (3000,), "level": (3,)} == earlier.twin.values("settings")
    assert Status.ERR_LOCKED == engines.call("touch", "cal")
    for call in ("unlock", "touch", "commit"):
        assert Status.OK == engines.call(call, "cal")
    engines.restart(power=True)
    assert Status.OK == engines.call("mount")


def test_a_mount_reads_no_more_than_the_page_says(tmp_path: Path) -> None:
    """The bound of section 7, on parts damaged at random; and the smaller one on a good part."""
    assert "2 log2 S + 8 + 6 S head reads of 4 bytes, 8 P + 6 S P page reads" in PAGE
    assert "at most 2 log2 S + 7 head reads and P page reads for each group" in PAGE
    plan = example_plan("tank_probe")
    bench = Bench(Device(plan.part, plan.schema.address), plan.schema.bus_khz)
    rig = NativeRig(compile_native(plan, tmp_path), bench)
    rig.mount()
    rig.format()
    for ring in plan.rings:
        for _ in range(ring.slots + 2):
            rig.unlock(ring.group.name)
            rig.touch(ring.group.name)
            rig.commit(ring.group.name)
    good = bytes(bench.device.memory)
    pages = {r: -(-r.record_bytes // plan.part.page) for r in plan.rings}
    find = {r: 2 * math.ceil(math.log2(r.slots)) + 7 for r in plan.rings}
    small = 6 + sum(find[r] + pages[r] * (2 * r.group.copies - 1) for r in plan.rings)
    copies = sum(4 * pages[r] * (r.slots - 1) for r in plan.rings if r.group.copies > 1)
    large = 6 + copies + sum(find[r] + 1 + 6 * r.slots + (8 + 6 * r.slots) * pages[r]
                             for r in plan.rings)
    chance = random.Random(1)
    for damage in range(60):
        image = bytearray(good)
        for _ in range(damage):
            ring = chance.choice(plan.rings)
            at = ring.address(chance.randrange(ring.slots)) + chance.randrange(ring.record_bytes)
            image[at] ^= 1 << chance.randrange(8)
        bench.device.memory[:] = image
        bench.log.clear()
        rig.restart()
        status = rig.mount()
        assert status == Status.OK or damage
        assert len(bench.log) <= (large if damage else small)
