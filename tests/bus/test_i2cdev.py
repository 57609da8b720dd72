"""A bus of Linux by smbus2, whose kernel side is played by a simulated part."""

from __future__ import annotations

import errno
import sys
from collections.abc import Iterator
from typing import Any

import pytest
import smbus2

from paramstore.bus import i2cdev
from paramstore.bus.i2cdev import LinuxBus
from paramstore.bus.programmer import Programmer
from paramstore.eeprom.bench import Bench
from paramstore.eeprom.device import Device
from paramstore.errors import ToolError
from paramstore.parts import catalogue

PART = catalogue.find("24LC32A")
WRITE, READ = 0, 1


class Kernel:
    """Stands in for `smbus2.SMBus`: takes its real messages, as the ioctl would."""

    bench = Bench(Device(PART))
    fails: int | None = None

    def __init__(self, number: int) -> None:
        if number != 3:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")

    def i2c_rdwr(self, *messages: smbus2.i2c_msg) -> None:
        if self.fails is not None:
            raise OSError(self.fails, "went wrong")
        out, *more = messages
        assert WRITE == out.flags and all(m.flags == READ for m in more)
        reply = self.bench.transfer(out.addr, bytes(out), more[0].len if more else 0)
        if reply is None:
            raise OSError(errno.EREMOTEIO, "Remote I/O error")
        for index, byte in enumerate(reply):
            more[0].buf[index] = bytes([byte])

    def close(self) -> None:
        """Nothing is open."""


@pytest.fixture
def bus(monkeypatch: pytest.MonkeyPatch) -> Iterator[LinuxBus]:
    monkeypatch.setattr(smbus2, "SMBus", Kernel)
    monkeypatch.setattr(Kernel, "bench", Bench(Device(PART)))
    bus = LinuxBus(3)
    monkeypatch.setattr(bus, "wait", Kernel.bench.wait)
    yield bus
    bus.close()


def test_a_page_goes_there_and_back(bus: LinuxBus) -> None:
    """With the acknowledge polling in between."""
    programmer = Programmer(bus, PART, 0x50)
    programmer.write_page(96, b"tank")
    assert b"tank" == Kernel.bench.device.memory[96:100]
    assert b"tank\xff" == programmer.read_at(96, 5)
    assert "/dev/i2c-3, 0x50" == programmer.name


def test_a_bus_that_fails_is_told(bus: LinuxBus, monkeypatch: pytest.MonkeyPatch) -> None:
    """Anything but a missing acknowledge."""
    monkeypatch.setattr(Kernel, "fails", errno.ETIMEDOUT)
    with pytest.raises(ToolError, match="/dev/i2c-3 failed"):
        bus.transfer(0x50, b"\0\0", 1)
    monkeypatch.setattr(Kernel, "fails", errno.ENXIO)
    assert None is bus.transfer(0x50, b"\0\0", 1)


def test_a_bus_that_is_not_there_is_told(bus: LinuxBus) -> None:
    """With a way to go on."""
    with pytest.raises(ToolError, match="cannot open `/dev/i2c-4`") as caught:
        LinuxBus(4)
    assert caught.value.help


def test_a_bus_without_the_right_to_it_is_told(
        bus: LinuxBus, monkeypatch: pytest.MonkeyPatch) -> None:
    """The usual mistake on a small computer."""
    def refuse(number: int) -> Any:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(smbus2, "SMBus", refuse)
    with pytest.raises(ToolError) as caught:
        LinuxBus(3)
    assert "group" in caught.value.help


def test_smbus2_is_needed_for_a_bus_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without it there is a message, not a traceback."""
    monkeypatch.setitem(sys.modules, "smbus2", None)
    monkeypatch.setattr(i2cdev, "find_spec", lambda name: None)
    with pytest.raises(ToolError, match="smbus2") as caught:
        LinuxBus(3)
    assert "paramstore[bus]" in caught.value.help
