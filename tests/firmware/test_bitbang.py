"""The bit-bang port on wires: its edges are I2C, a held bus is freed, nothing waits for ever."""

from __future__ import annotations

import ctypes
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from paramstore.core.status import Status
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.rig.native import NativeRig, compile_native
from tests.firmware.builds import example_plan, host_compilers
from tests.firmware.lines import LineBench, Lines, compile_port
from tests.record.plans import part

PART = part(4096, 32)
IMAGE = bytes(i * 37 & 0xFF for i in range(4096))


@pytest.fixture(scope="module", params=host_compilers(), ids=lambda c: c.name)
def library(request: pytest.FixtureRequest,
            tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """The port, by every compiler."""
    return compile_port(request.param, tmp_path_factory.mktemp("port"))


def bench_of(library: ctypes.CDLL, stretch_limit: int = 20) -> LineBench:
    """A part with known content on two wires."""
    return LineBench(library, Device(PART, 0x50, IMAGE), stretch_limit)


TRANSFERS = st.lists(st.tuples(
    st.sampled_from([0x50, 0x50, 0x50, 0x51]),
    st.binary(min_size=1, max_size=12),
    st.sampled_from([0, 0, 1, 2, 9]),
    st.sampled_from([0, 300, 6000]),
), max_size=6)


@given(TRANSFERS)
@settings(max_examples=25, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_transfers_on_wires_are_transfers_of_bytes(library: ctypes.CDLL,
                                                   transfers: list[tuple[int, bytes, int, int]],
                                                   ) -> None:
    """Same answers and same bytes on the part as on a bench that deals in whole bytes."""
    wires, plain = bench_of(library), Bench(Device(PART, 0x50, IMAGE))
    for address, out, in_count, pause_us in transfers:
        wires.wait(pause_us)
        plain.wait(pause_us)
        plain.waited_us += wires.now_us - plain.now_us  # processors and pins are not as fast
        plain.device.now_us = plain.now_us
        started = wires.now_us
        expected = plain.transfer(address, out, in_count)
        assert expected == wires.transfer(address, out, in_count)
        assert wires.now_us > started
    assert plain.device.memory == wires.device.memory
    assert wires.lines.level("scl") and wires.lines.level("sda")


def test_a_write_has_the_frame_of_the_standard(library: ctypes.CDLL) -> None:
    """START, device address, memory address, data, STOP (UM10204, 3.1)."""
    wires = bench_of(library)
    assert b"" == wires.transfer(0x50, b"\x01\x20\xaa\x55", 0)
    assert ["S", 0xA0, 0x01, 0x20, 0xAA, 0x55, "P"] == wires.part.events


def test_a_read_has_the_frame_of_the_standard(library: ctypes.CDLL) -> None:
    """A repeated START in the middle, no STOP before the end."""
    wires = bench_of(library)
    assert IMAGE[0x120:0x123] == wires.transfer(0x50, b"\x01\x20", 3)
    assert ["S", 0xA0, 0x01, 0x20, "S", 0xA1, *IMAGE[0x120:0x123], "P"] == wires.part.events


def test_a_missing_acknowledge_ends_with_stop(library: ctypes.CDLL) -> None:
    """The bus is free again after an address that nobody has."""
    wires = bench_of(library)
    assert wires.transfer(0x51, b"\x00\x00\x11", 0) is None
    assert ["S", 0xA2, "P"] == wires.part.events


def check_timing(lines: Lines) -> int:
    """Demand one delay between any two edges that the standard keeps apart; count the clocks.

    UM10204, table 10: tLOW, tHIGH, tHD;STA, tSU;STA, tSU;DAT, tSU;STO, tBUF.
    """
    last = {"scl": -1, "sda": -1}
    scl, clocks = True, 0
    for time, line, level, who in lines.changes:
        if line == "scl":
            assert time > last["scl"], "tLOW or tHIGH"
            if level:
                clocks += 1
                assert time > last["sda"] or who == "part", "tSU;DAT"
            elif last["sda"] > last["scl"]:
                assert time > last["sda"], "tHD;STA"
            scl = level
        elif scl:  # START or STOP
            assert time > last["scl"], "tSU;STA or tSU;STO"
            assert time > last["sda"], "tBUF"
        last[line] = time
    return clocks


def test_edges_keep_their_distance(library: ctypes.CDLL) -> None:
    """Every minimum of the standard is covered by a delay; a byte takes nine clocks."""
    wires = bench_of(library)
    wires.transfer(0x50, b"\x01\x20\xaa\x55", 0)
    # One more clock: SCL rises before STOP.
    assert 9 * 5 + 1 == check_timing(wires.lines)
    wires.wait(6000)
    wires.transfer(0x50, b"\x01\x20", 4)
    # One more clock for the repeated START as well.
    assert 9 * 5 + 1 + 9 * (3 + 1 + 4) + 2 == check_timing(wires.lines)


# ---- A bus that is held -------------------------------------------------------------------------


def stretch(wires: LineBench, delays: int, before: float = 0.0) -> None:
    """Let somebody hold SCL for a while each time that the port pulls it low, and let it go
    `before` the end of the last delay. A slow edge is the same to a pin."""
    lines, left = wires.lines, [0]

    def hear(line: str, high: bool) -> None:
        if line == "scl" and not high and lines.part["scl"]:
            left[0] = delays
            lines.part["scl"] = False

    def on_delay() -> None:
        if left[0] > 0:
            left[0] -= 1
            if left[0] == 0:
                lines.before = before
                lines.drive(lines.part, "scl", True)
                lines.before = 0.0

    lines.listeners.append(hear)
    lines.on_delay = on_delay


@pytest.mark.parametrize("delays", [1, 2, 5, 15])
def test_a_stretched_clock_is_waited_for(library: ctypes.CDLL, delays: int) -> None:
    """The transfer takes longer, and is the same."""
    wires = bench_of(library)
    stretch(wires, delays)
    assert IMAGE[0x120:0x123] == wires.transfer(0x50, b"\x01\x20", 3)
    assert ["S", 0xA0, 0x01, 0x20, "S", 0xA1, *IMAGE[0x120:0x123], "P"] == wires.part.events


@pytest.mark.parametrize("delays", [1, 2, 3, 9])
@pytest.mark.parametrize("before", [0.08, 0.17, 0.83])
def test_a_clock_that_rises_late_is_high_for_a_whole_delay(
        library: ctypes.CDLL, delays: int, before: float) -> None:
    """After stretching, and after a slow edge: tHIGH, tSU;STA and tSU;STO count from the moment at
    which SCL is high, not from the one at which the port let it go (UM10204, table 10)."""
    wires = bench_of(library)
    stretch(wires, delays, before)
    wires.transfer(0x50, b"\x01\x20", 3)
    wires.transfer(0x50, b"\x01\x20\xaa", 0)
    rises, kept = None, []
    for time, line, level, _ in wires.lines.changes:
        if line == "scl" and level:
            rises = time
        elif rises is not None:  # SCL falls, or SDA makes a START or STOP while it is high
            kept.append(time - rises)
            rises = rises if line == "sda" else None
    assert len(kept) > 100
    assert min(kept) >= 1.0


def test_a_clock_held_for_ever_is_an_error_in_bounded_time(library: ctypes.CDLL) -> None:
    """The port gives up after its limit, and makes no STOP that could start a write cycle."""
    falls = 1 + 9 * 5  # after START, and after each clock
    for held in range(falls + 3):
        wires = bench_of(library)
        hold_after(wires.lines, held)
        status, _ = wires.status_of(0x50, b"\x01\x20\xaa\x55", 0)
        assert (Status.OK if held >= falls else Status.ERR_BUS) == status
        assert (wires.part.events[-1] == "P") == (status == Status.OK)
        assert wires.lines.port == {"scl": True, "sda": True}
        assert wires.lines.delays < 3 * falls + 20
        wires.lines.drive(wires.lines.part, "scl", True)
        assert wires.device.busy == (status == Status.OK)


def hold_after(lines: Lines, falls: int) -> None:
    """Let somebody hold SCL for ever, once it has fallen `falls` times."""
    left = [falls]

    def hear(line: str, high: bool) -> None:
        if line == "scl" and not high:
            left[0] -= 1
            if left[0] < 0:
                lines.part["scl"] = False

    lines.listeners.append(hear)


def interrupted(wires: LineBench, clocks: int, out: bytes) -> None:
    """A controller that dies after `clocks` clocks of START and `out`, and lets both lines go."""
    lines = wires.lines
    bits = [bool(byte >> bit & 1) for byte in out for bit in reversed(range(8))]
    frame = [bit for i, bit in enumerate(bits) for bit in ([bit, True] if i % 8 == 7 else [bit])]
    lines.drive(lines.port, "sda", False)
    lines.drive(lines.port, "scl", False)
    for bit in (frame + [True] * 60)[:clocks]:
        lines.drive(lines.port, "sda", bit)
        lines.drive(lines.port, "scl", True)
        lines.drive(lines.port, "scl", False)
    lines.drive(lines.port, "sda", True)
    lines.drive(lines.port, "scl", True)


@pytest.mark.parametrize("out", [b"\xa1", b"\xa0\x01\x20\x00\x00"], ids=["read", "write"])
def test_a_transfer_frees_a_bus_held_by_the_part(library: ctypes.CDLL, out: bytes) -> None:
    """A reset at any clock of a read or a write: the next transfer works, and nothing changed."""
    held = 0
    for clocks in range(1, 50):
        wires = LineBench(library, Device(PART, 0x50, bytes(4096)))
        interrupted(wires, clocks, out)
        held += not wires.lines.level("sda")
        assert b"\0" * 4 == wires.transfer(0x50, b"\x00\x00", 4)
        assert bytes(4096) == wires.device.memory
        assert 0 == wires.device.cycles
    assert held > 0


def test_recovery_makes_at_most_nine_clocks(library: ctypes.CDLL) -> None:
    """Up to nine clocks, then START and STOP (UM10204, 3.1.16; AT24C128C, figure 6-3)."""
    wires = LineBench(library, Device(PART, 0x50, bytes(4096)))
    interrupted(wires, 10, b"\xa1")
    assert not wires.lines.level("sda")
    wires.lines.changes.clear()
    wires.part.events.clear()
    assert Status.OK == wires.recover()
    assert ["S", "P"] == wires.part.events
    rises = [c for c in wires.lines.changes if c[1:3] == ("scl", True)]
    assert 1 <= len(rises) <= 9 + 1


@pytest.mark.parametrize("line", ["scl", "sda"])
def test_a_line_that_stays_low_is_an_error(library: ctypes.CDLL, line: str) -> None:
    """A short to ground: told, in bounded time, at every transfer."""
    wires = bench_of(library)
    wires.lines.listeners.clear()  # no part answers on a dead bus
    wires.lines.drive(wires.lines.part, line, False)
    for _ in range(3):
        before = wires.lines.delays
        assert Status.ERR_BUS == wires.status_of(0x50, b"\x00\x00", 1)[0]
        assert wires.lines.delays - before < 100
    assert Status.ERR_BUS == wires.recover()


def test_another_controller_is_noticed(library: ctypes.CDLL) -> None:
    """A 1 that reads as 0 is somebody else's: the port lets go without a STOP."""
    wires = bench_of(library)
    lines, falls = wires.lines, [0]

    def pull(line: str, high: bool) -> None:
        if line == "scl" and not high:
            falls[0] += 1
            # After START and the first two bits of 1010 the next 1 is lost, for one clock.
            lines.part["sda"] = falls[0] != 3

    lines.listeners.append(pull)
    assert Status.ERR_BUS == wires.status_of(0x50, b"\x00\x00\x11", 0)[0]
    assert lines.port == {"scl": True, "sda": True}
    assert "P" not in wires.part.events
    assert 0 == wires.device.cycles


def test_a_store_lives_on_wires(library: ctypes.CDLL, tmp_path: Path) -> None:
    """The whole runtime over the port: what it writes is what it writes on a plain bench."""
    plan = example_plan("minimal")
    code = compile_native(plan, tmp_path)
    parts = []
    for bench in (LineBench(library, Device(plan.part, plan.schema.address)),
                  Bench(Device(plan.part, plan.schema.address))):
        rig = NativeRig(code, bench)
        assert [Status.BLANK, Status.OK] == [rig.mount(), rig.format()]
        for level in range(12):
            assert Status.OK == rig.set("settings", "level", 0, [level])
            assert Status.OK == rig.commit("settings")
        rig.power_cycle()
        assert Status.OK == rig.mount()
        assert (11,) == rig.values("settings")["level"]
        parts.append(bench.device)
    assert parts[0].memory == parts[1].memory
    assert parts[0].wear == parts[1].wear
