"""A bus of Linux by smbus2, on every kind of adapter: the kernel's side is played."""

from __future__ import annotations

import errno
import fcntl
import os
import sys
from collections.abc import Callable
from pathlib import Path
from subprocess import run

import pytest
from smbus2 import I2cFunc

from paramstore.bus import i2cdev
from paramstore.bus.bus import BusTrouble
from paramstore.bus.i2cdev import LinuxBus
from paramstore.bus.programmer import Programmer
from paramstore.core.errors import FindingsError, ToolError
from paramstore.schema import catalogue
from paramstore.schema.part import Part
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import Fault
from tests.bus.kernel import ADAPTERS, CALLS, Adapter, failure, plug_in

Plug = Callable[..., Programmer]
PARTS = ("24LC02B", "24LC16B", "24LC32A", "24LC256", "24LC1025", "M24M01-R")


def part_of(name: str) -> Part:
    part = catalogue.find(name)
    assert part is not None
    return part


@pytest.fixture
def plug(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Plug:
    """A programmer of a part on the bus of an adapter."""
    def plug(adapter: Adapter | None = None, name: str = "24LC32A", image: bytes = b"",
             most: int | None = None) -> Programmer:
        part = part_of(name)
        plug_in(monkeypatch, tmp_path, adapter or Adapter(), Bench(Device(part, 0x50, image)))
        return Programmer(LinuxBus(3, most), part, 0x50)
    return plug


@pytest.mark.parametrize("name", PARTS)
@pytest.mark.parametrize("kind", ADAPTERS)
def test_pages_go_there_and_back_on_every_adapter(kind: str, name: str, plug: Plug) -> None:
    """The first page, one beside it and the last, with the acknowledge polling in between; and a
    read that goes over the middle."""
    adapter = ADAPTERS[kind]()
    programmer = plug(adapter, name)
    part = programmer.part
    assert adapter.bench is not None
    expected = bytearray(b"\xff" * part.capacity)
    for at in (0, part.page, part.capacity - part.page):
        content = bytes((at + 7 * i) % 251 for i in range(part.page))
        programmer.write_page(at, content)
        expected[at:at + part.page] = content
    assert expected == adapter.bench.device.memory
    middle = part.capacity // 2
    assert expected[middle - 70:middle + 70] == programmer.read_at(middle - 70, 140)
    assert expected[-part.page:] == programmer.read_at(part.capacity - part.page, part.page)
    assert "/dev/i2c-3, 0x50" == programmer.name
    programmer.bus.close()


def test_long_messages_are_cut_as_the_adapter_asks(plug: Plug) -> None:
    """A refused one is halved; what was found out holds for the next ones; an option says it at
    once, without a refusal."""
    adapter = Adapter(most_out=32, most_in=64)
    programmer = plug(adapter)
    programmer.read_at(0, 256)
    assert (64, 4) == (programmer.bus.limits.into, adapter.transfers)
    programmer.write_page(0, bytes(32))
    assert (32, 2) == (programmer.bus.limits.out, adapter.bench.device.cycles)
    told = plug(Adapter(most_out=20, most_in=20), most=20)
    told.write_page(0, bytes(32))
    assert (20, 20) == told.bus.limits


def test_an_adapter_that_cannot_do_it_is_refused(plug: Plug) -> None:
    """Neither plain messages nor single bytes; or no call that carries an address of two bytes and
    a byte of data."""
    with pytest.raises(ToolError, match="neither plain I2C nor"):
        plug(Adapter(can=int(I2cFunc.SMBUS_QUICK)))
    programmer = plug(Adapter(can=int(I2cFunc.SMBUS_BYTE | I2cFunc.SMBUS_BYTE_DATA)))
    with pytest.raises(ToolError, match="cannot write to a part with 2-byte"):
        programmer.write_page(0, b"\0")
    small = plug(Adapter(can=int(I2cFunc.SMBUS_BYTE | I2cFunc.SMBUS_BYTE_DATA)), "24LC02B")
    small.write_page(8, b"tank")
    assert b"tank" == small.read_at(8, 4)


@pytest.mark.parametrize("number", [errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.EBUSY])
@pytest.mark.parametrize("can", [Adapter().can, int(CALLS)])
def test_one_bad_try_is_repeated(number: int, can: int, plug: Plug) -> None:
    """Now and then a transfer fails once; all goes well. For ever: it is told in words, after
    a few tries."""
    adapter = Adapter(can=can)
    programmer = plug(adapter)
    def fail_once(count: int) -> None:
        if count in (1, 3, 9):
            raise failure(number)

    adapter.before = fail_once
    programmer.write_page(64, b"tank")
    assert b"tank" == programmer.read_at(64, 4)

    def fail_always(count: int) -> None:
        raise failure(number)

    adapter.before, before = fail_always, adapter.transfers
    with pytest.raises(BusTrouble, match=f"/dev/i2c-3 failed: {os.strerror(number)}, "):
        programmer.read_at(0, 1)
    assert 5 == adapter.transfers - before


def test_nobody_at_the_address_is_told_with_who_is_there(plug: Plug) -> None:
    """Another address, or none at all."""
    adapter = Adapter()
    programmer = plug(adapter)
    programmer.address = 0x53
    with pytest.raises(ToolError, match="no answer from 0x53 on /dev/i2c-3") as caught:
        programmer.read_at(0, 1)
    assert "something answers at 0x50:" in caught.value.help
    adapter.bench = None
    with pytest.raises(ToolError) as caught:
        programmer.read_at(0, 1)
    assert "check the supply" in caught.value.help


@pytest.mark.parametrize("kind", ADAPTERS)
def test_a_part_that_refuses_data_is_told_from_one_that_is_not_there(
        kind: str, plug: Plug) -> None:
    """Write protection that does not acknowledge data (PS969): nothing is written."""
    class Refuse(Fault):
        def byte(self, number: int) -> bool:
            return device._phase.name != "DATA"

    adapter = ADAPTERS[kind]()
    programmer = plug(adapter)
    assert adapter.bench is not None
    device = adapter.bench.device
    device.faults.append(Refuse())
    with pytest.raises(FindingsError, match=r"PS969.*0x50 answers, but does not take data"):
        programmer.write_page(32, bytes(32))
    assert 0 == device.cycles


def test_a_driver_of_the_kernel_is_named(plug: Plug) -> None:
    """And what takes the part from it."""
    programmer = plug(Adapter(owned=(0x50,)))
    with pytest.raises(ToolError, match=r"kernel driver.* owns 0x50 on /dev/i2c-3") as caught:
        programmer.bus.claim(programmer.addresses, writes=False)
    assert "echo 3-0050 > /sys/bus/i2c/devices/3-0050/driver/unbind" in caught.value.help


def test_a_part_with_another_block_is_told(plug: Plug) -> None:
    """All addresses must answer (PS961)."""
    programmer = plug(name="24LC32A")
    programmer.check()
    programmer.part = part_of("24LC16B")
    with pytest.raises(FindingsError, match=r"PS961.*no 24LC16B: .* 0x50, but not at 0x51"):
        programmer.check()


def test_a_bus_that_is_not_there_is_told(plug: Plug) -> None:
    """With a way to go on."""
    plug()
    with pytest.raises(ToolError, match="cannot open `/dev/i2c-4`") as caught:
        LinuxBus(4)
    assert caught.value.help


def test_a_bus_without_the_right_to_it_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """The usual mistake on a small computer."""
    def refuse(*_: object) -> int:
        raise failure(errno.EACCES)

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(ToolError) as caught:
        LinuxBus(3)
    monkeypatch.undo()
    assert "group" in caught.value.help


def test_smbus2_is_needed_for_a_bus_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without it there is a message, not a traceback."""
    monkeypatch.setitem(sys.modules, "smbus2", None)
    monkeypatch.setattr(i2cdev, "find_spec", lambda name: None)
    with pytest.raises(ToolError, match="smbus2") as caught:
        LinuxBus(3)
    assert "paramstore[bus]" in caught.value.help


def test_a_part_is_worked_on_by_one_program(plug: Plug) -> None:
    """Another one is refused; a part beside it on the same bus is free."""
    programmer = plug()
    programmer.bus.claim(programmer.addresses, writes=True)
    code = ("import fcntl, sys; file = open(sys.argv[1], 'r+b')\n"
            "try: fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, int(sys.argv[2]))\n"
            "except OSError: sys.exit(7)")
    node = str(Path(f"/proc/self/fd/{programmer.bus._bus.fd}").readlink())
    assert [7, 0] == [run([sys.executable, "-c", code, node, str(address)], check=False).returncode
                      for address in (0x50, 0x51)]


@pytest.mark.parametrize("kind", ["no repeated START", "SMBus with blocks",
                                  "SMBus, bytes and words"])
def test_a_part_that_stores_addresses_is_named_at_the_first_read(kind: str, plug: Plug) -> None:
    """With a STOP behind the address, reading is writing to a part with one-byte addresses (PS961):
    one byte has changed, and no more."""
    adapter = ADAPTERS[kind]()
    programmer = plug(adapter, "24LC16B")
    programmer.part = part_of("24LC32A")
    with pytest.raises(FindingsError, match=r"PS961.*takes one byte of memory address, not 2"):
        programmer.check()
    assert b"\0" + b"\xff" * 2047 == adapter.bench.device.memory


def test_a_device_without_locks_is_worked_on_all_the_same(
        plug: Plug, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody else is blamed for that."""
    def refuse(*_: object) -> None:
        raise failure(errno.ENOLCK)

    programmer = plug()
    monkeypatch.setattr(fcntl, "lockf", refuse)
    programmer.bus.claim(programmer.addresses, writes=True)
    programmer.write_page(0, b"tank")
