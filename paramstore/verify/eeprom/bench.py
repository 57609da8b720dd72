"""A bench: one simulated part on a bus with a clock, and a supply that can be called bad.

Offers what the port of a store asks for (a transfer, a wait, the supply question) and keeps a log
of all three, so that two stores can be compared question by question. Knows no store.
"""

from __future__ import annotations

from typing import NamedTuple

from paramstore.verify.eeprom.device import Device

__all__ = ["Asked", "Bench", "Event", "Transferred", "Waited"]


class Transferred(NamedTuple):
    """A whole transfer: `reply` has `in_count` bytes, or is None if a byte was not acknowledged."""

    address: int
    out: bytes
    in_count: int
    reply: bytes | None


class Waited(NamedTuple):
    """The controller let `us` microseconds pass."""

    us: int


class Asked(NamedTuple):
    """The controller asked for the supply and heard `good`."""

    good: bool


Event = Transferred | Waited | Asked


class Bench:
    """A part on a bus of `bus_khz`.

    `bits` counts bus bits: 9 for each byte, 1 for each START, repeated START and STOP. `log` has
    what happened since it was last cleared; a transfer cut short is not in it. Time is the bus
    bits plus the waits; processors take none.
    """

    def __init__(self, device: Device, bus_khz: int = 400) -> None:
        self.device = device
        self.bus_khz = bus_khz
        self.supply_good = True
        self.bits = 0
        self.waited_us = 0
        self.log: list[Event] = []

    @property
    def now_us(self) -> float:
        """Time since the bench was set up, in microseconds."""
        return self.waited_us + self.bits * 1000 / self.bus_khz

    def wait(self, us: int) -> None:
        """Let `us` microseconds pass."""
        self.waited_us += us
        self.device.now_us = self.now_us
        self.log.append(Waited(us))

    def ask_supply(self) -> bool:
        """Answer the question before a page write."""
        self.log.append(Asked(self.supply_good))
        return self.supply_good

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        """Send `out` to the 7-bit `address`, then read `in_count` bytes after a repeated START.

        Return the bytes read (none if `in_count` is 0), or None if a byte was not acknowledged; a
        STOP follows either way. Raises BusError and PowerCut as the faults of the part ask.
        """
        reply = self._play(address, out, in_count)
        self._tick(1)
        self.device.stop()
        self.log.append(Transferred(address, out, in_count, reply))
        return reply

    def _play(self, address: int, out: bytes, in_count: int) -> bytes | None:
        self._start()
        if not all(self._send(byte) for byte in (address << 1, *out)):
            return None
        if in_count == 0:
            return b""
        self._start()
        if not self._send(address << 1 | 1):
            return None
        return bytes([self._receive(left == 0) for left in reversed(range(in_count))])

    def _tick(self, bits: int) -> None:
        self.bits += bits
        self.device.now_us = self.now_us

    def _start(self) -> None:
        self._tick(1)
        self.device.start()

    def _send(self, byte: int) -> bool:
        acknowledged = self.device.write_byte(byte)
        self._tick(9)
        return acknowledged

    def _receive(self, last: bool) -> int:
        value = self.device.read_byte(last)
        self._tick(9)
        return value
