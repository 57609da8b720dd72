"""SCL and SDA as wires, and a part that hangs on them: what a bit-banged port really drives.

`Lines` has the levels (open drain: low if anybody pulls) and the clock of delays; `LinePart`
decodes every edge into calls of the simulated part, as its pins would see them; `LineBench` is a
bench whose transfers go through the compiled port.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Iterator
from ctypes import CFUNCTYPE, POINTER, c_bool, c_int, c_uint8, c_uint16, c_void_p
from pathlib import Path

from paramstore.core.status import Status
from paramstore.firmware.generate import port_files, runtime_files
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import BusError
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.firmware.builds import write

HALF_PERIOD_US = 1.3


class Lines:
    """Two wires with pull-ups. `delays` is the time, in half periods of the port.

    `listeners` hear each change as (line, level). `stretch` is called at every delay while the
    port has let SCL go: it returns whether somebody else still holds it.
    """

    def __init__(self) -> None:
        self.port = {"scl": True, "sda": True}  # True: let go
        self.part = {"scl": True, "sda": True}
        self.listeners: list[Callable[[str, bool], None]] = []
        self.changes: list[tuple[float, str, bool, str]] = []  # time, line, level, who
        self.delays = 0
        self.before = 0.0  # a change made while a delay ends came so much earlier
        self.on_delay: Callable[[], None] = lambda: None

    def level(self, line: str) -> bool:
        """What a pin reads."""
        return self.port[line] and self.part[line]

    def drive(self, who: dict[str, bool], line: str, high: bool) -> None:
        """Pull a line low or let it go."""
        before = self.level(line)
        who[line] = high
        if self.level(line) != before:
            self.changes.append((self.delays - self.before, line, high,
                                 "port" if who is self.port else "part"))
            for hear in self.listeners:
                hear(line, high)

    def delay(self) -> None:
        """Half a clock period goes by."""
        self.delays += 1
        self.on_delay()


class LinePart:
    """A part on two wires. `events` has what it understood: "S", "P" and the bytes."""

    def __init__(self, lines: Lines, device: Device) -> None:
        self.lines = lines
        self.device = device
        self.events: list[str | int] = []
        self._bits = self._nothing()
        next(self._bits)
        lines.listeners.append(self._hear)

    def _hear(self, line: str, high: bool) -> None:
        if line == "scl":
            self._bits.send(high)
        elif self.lines.level("scl"):
            self._sda(True)
            self.events.append("P" if high else "S")
            if high:
                self.device.stop()
            else:
                self.device.start()
            self._bits = self._nothing() if high else self._receive_all()
            next(self._bits)

    def _sda(self, high: bool) -> None:
        self.lines.drive(self.lines.part, "sda", high)

    # Each generator is resumed with the new level of SCL at every edge.

    def _nothing(self) -> Iterator[None]:
        while True:
            yield

    def _receive_all(self) -> Iterator[None]:
        first = True
        yield  # SCL falls after START
        while True:
            value = 0
            for _ in range(8):
                yield  # rises
                value = value << 1 | self.lines.level("sda")
                yield  # falls
            self.events.append(value)
            if not self.device.write_byte(value):
                yield from self._nothing()
            self._sda(False)
            yield
            yield
            self._sda(True)
            if first and value & 1:
                yield from self._send_all()
            first = False

    def _send_all(self) -> Iterator[None]:
        while True:
            value = self.device.read_byte(last=False)
            self.events.append(value)
            for bit in reversed(range(8)):
                self._sda(bool(value >> bit & 1))
                yield
                yield
            self._sda(True)
            yield  # rises: the acknowledge of the controller
            if self.lines.level("sda"):
                yield from self._nothing()
            yield


_SET = CFUNCTYPE(None, c_void_p, c_bool)
_GET = CFUNCTYPE(c_bool, c_void_p)
_DELAY = CFUNCTYPE(None, c_void_p)


class _Pins(ctypes.Structure):
    """`ps_bitbang_t`."""

    _fields_ = (("set_scl", _SET), ("set_sda", _SET), ("get_scl", _GET), ("get_sda", _GET),
                ("delay", _DELAY), ("stretch_limit", c_uint16), ("pins", c_void_p))


def compile_port(compiler: Compiler, folder: Path) -> ctypes.CDLL:
    """The bit-bang port as a library."""
    write(folder, runtime_files() | port_files() | port_files(linux=True))
    library = ctypes.CDLL(str(compiler.library([folder / "bitbang.c"], folder / "port", WARNINGS)))
    library.ps_bitbang_transfer.restype = c_int
    library.ps_bitbang_transfer.argtypes = (c_void_p, c_uint8, POINTER(c_uint8), c_uint16,
                                            POINTER(c_uint8), c_uint16)
    library.ps_bitbang_recover.restype = c_int
    library.ps_bitbang_recover.argtypes = (c_void_p,)
    return library


class LineBench(Bench):
    """A bench on which every transfer is made of edges."""

    def __init__(self, library: ctypes.CDLL, device: Device, stretch_limit: int = 20) -> None:
        super().__init__(device)
        self.lines = Lines()
        self.part = LinePart(self.lines, device)
        self.idle_us = 0
        lines, port = self.lines, self.lines.port
        self._library = library
        self._pins = _Pins(
            _SET(lambda pins, high: lines.drive(port, "scl", high)),
            _SET(lambda pins, high: lines.drive(port, "sda", high)),
            _GET(lambda pins: lines.level("scl")),
            _GET(lambda pins: lines.level("sda")),
            _DELAY(lambda pins: self._delay()),
            stretch_limit, None,
        )

    def _delay(self) -> None:
        self.lines.delay()
        self.device.now_us = self.now_us

    @property
    def now_us(self) -> float:
        """Time by the delays of the port and by the waits."""
        return self.waited_us + HALF_PERIOD_US * self.lines.delays

    def status_of(self, address: int, out: bytes, in_count: int) -> tuple[Status, bytes]:
        """One transfer through the port."""
        sent = (c_uint8 * len(out))(*out)
        into = (c_uint8 * max(in_count, 1))()
        status = self._library.ps_bitbang_transfer(ctypes.byref(self._pins), address, sent,
                                                   len(out), into, in_count)
        return Status(status), bytes(into[:in_count])

    def recover(self) -> Status:
        """Free the bus."""
        return Status(self._library.ps_bitbang_recover(ctypes.byref(self._pins)))

    def transfer(self, address: int, out: bytes, in_count: int) -> bytes | None:
        """As the port of a store: None for a missing acknowledge."""
        status, reply = self.status_of(address, out, in_count)
        if status == Status.ERR_BUS:
            raise BusError
        return reply if status == Status.OK else None
