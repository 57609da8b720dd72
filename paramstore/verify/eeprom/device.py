"""A simulated I2C EEPROM as its pins see it: START, bytes, acknowledges, STOP.

One class for every catalogue part. Sources are those of the parts catalogue; behaviour common to
these parts is taken from the data sheets of the Microchip 24XX32A (DS21713M, DS22184A), 24XX256
(DS20001203W), 24XX1025 (DS20001941L) and AT24C16D (Atmel-8906A). Knows no store, no bus clock
and no controller: see `bench` for whole transfers.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum, auto

from paramstore.core.format import ERASED
from paramstore.schema.part import Part, WriteProtect
from paramstore.verify.eeprom.faults import UNTOUCHED, Fault, PageWrite, PowerCut, Tear

__all__ = ["Device"]


class _Phase(Enum):
    IDLE = auto()  # not addressed: waits for START
    CONTROL = auto()  # START seen: the next byte is a device address
    ADDRESS = auto()  # collects memory-address bytes
    DATA = auto()  # loads the page buffer
    READ = auto()  # gives bytes


class Device:
    """One part on a bus. Set `now_us` as time goes by: the part is busy after a write.

    `address` is the 7-bit device address without block-select bits, `memory` the cells,
    `write_protect` the level of the pin, `wear` the write cycles of each page, `cycles` and
    `bytes_seen` the totals since the part was made. `faults` may be changed at any time.
    """

    def __init__(
        self, part: Part, address: int = 0x50, image: bytes = b"", faults: Iterable[Fault] = ()
    ) -> None:
        if len(image) > part.capacity:
            raise ValueError(f"image of {len(image)} bytes for {part.capacity} of {part.name}")
        self.part = part
        self.address = address
        self.memory = bytearray(image.ljust(part.capacity, bytes([ERASED])))
        self.wear = [0] * part.pages
        self.faults = list(faults)
        self.write_protect = False
        self.now_us = 0.0
        self.cycles = 0
        self.bytes_seen = 0
        self.powered = True
        self._forget()

    def _forget(self) -> None:
        """Lose what a part keeps only while it has power."""
        self._phase = _Phase.IDLE
        self._counter = 0  # memory address of the next byte
        self._address_bytes = 0  # still to come
        self._loaded: dict[int, int] = {}  # page buffer: memory address -> byte
        self._cycle: PageWrite | None = None
        self._busy_until_us = 0.0

    # ---- Power ----

    def power_off(self, tear: Tear = UNTOUCHED) -> None:
        """Take the power away. A write cycle that goes on leaves its page as `tear` says."""
        if self._cycle is not None and self.busy:
            self._store(self._cycle.page, tear.apply(self._cycle.old, self._cycle.new))
        self.powered = False
        self._forget()

    def power_on(self) -> None:
        """Give the power back; nothing happens if it never went."""
        self.powered = True

    @property
    def busy(self) -> bool:
        """Whether a write cycle goes on: the part does not answer to its address."""
        return self.now_us < self._busy_until_us

    # ---- Bus ----

    def start(self) -> None:
        """START or repeated START: the next byte is a device address. Data not stopped is lost."""
        self._check_power()
        self._loaded.clear()
        self._phase = _Phase.CONTROL

    def stop(self) -> None:
        """STOP: after at least one byte of data it begins a write cycle.

        The write-protect pin counts now. Raises PowerCut if a fault asks for it.
        """
        self._check_power()
        loaded, self._loaded = self._loaded, {}
        self._phase = _Phase.IDLE
        if loaded and not self._protected(next(iter(loaded))):
            self._begin_cycle(loaded)

    def write_byte(self, value: int) -> bool:
        """The controller sends a byte; return whether the part acknowledges it."""
        allowed = self._byte_passes()
        acknowledged = allowed and self._take(value)
        if not acknowledged:
            self._phase = _Phase.IDLE
        return acknowledged

    def read_byte(self, last: bool) -> int:
        """The part sends a byte (FF if it was not asked to); the controller ends with `last`."""
        self._byte_passes()
        if self._phase is not _Phase.READ:
            return ERASED
        value = self.memory[self._counter]
        for fault in self.faults:
            value = fault.read(self._counter, value)
        self._counter = self._after_read(self._counter)
        if last:
            self._phase = _Phase.IDLE
        return value

    # ---- Inside ----

    def _check_power(self) -> None:
        if not self.powered:
            raise PowerCut

    def _byte_passes(self) -> bool:
        self._check_power()
        self.bytes_seen += 1
        try:
            passed = [fault.byte(self.bytes_seen) for fault in self.faults]
        except PowerCut as cut:
            self.power_off(cut.tear)
            raise
        return all(passed)

    def _take(self, value: int) -> bool:
        match self._phase:
            case _Phase.CONTROL:
                return self._take_control(value)
            case _Phase.ADDRESS:
                self._address_bytes -= 1
                shift = 8 * self._address_bytes
                self._counter = self._wrap((self._counter & ~(0xFF << shift)) | (value << shift))
                if self._address_bytes == 0:
                    self._phase = _Phase.DATA
                return True
            case _Phase.DATA:
                self._loaded[self._counter] = value
                self._counter = self._after_load(self._counter)
                return True
            case _:
                return False

    def _take_control(self, value: int) -> bool:
        """The device address: ours, whatever its block-select bits, unless a cycle goes on."""
        part = self.part
        blocks = ((1 << part.block_bits) - 1) << part.block_shift
        if (value >> 1) & ~blocks != self.address & ~blocks or self.busy:
            return False
        if value & 1:
            # Block-select bits of a read are ignored, the counter keeps its own
            # (Microchip AT24 on-line sheet, section 8.1).
            self._phase = _Phase.READ
            return True
        block = ((value >> 1) & blocks) >> part.block_shift
        low = (1 << 8 * part.address_bytes) - 1
        self._counter = self._wrap((block << 8 * part.address_bytes) | (self._counter & low))
        self._address_bytes = part.address_bytes
        self._phase = _Phase.ADDRESS
        return True

    def _wrap(self, address: int) -> int:
        """Address bits beyond the capacity are ignored (DS22184A, section 5)."""
        return address & (self.part.capacity - 1)

    def _after_load(self, address: int) -> int:
        """The page buffer rolls over inside its page (DS21713M, section 6.2)."""
        within = self.part.page - 1
        return (address & ~within) | (address + 1 & within)

    def _after_read(self, address: int) -> int:
        """A sequential read wraps from the last byte of the array to 0.

        Parts with two address bytes and block-select bits stay inside their block
        (DS20001941L, page 1); those with one address byte do not (from memory).
        """
        if self.part.block_bits and self.part.address_bytes == 2:
            return (address & ~0xFFFF) | (address + 1 & 0xFFFF)
        return self._wrap(address + 1)

    def _protected(self, address: int) -> bool:
        """Whether the pin keeps the page at `address` from being written: acknowledged for nothing.

        (DS21713M, section 6.1; AT24C16D, section 5.5.)
        """
        if not self.write_protect or self.part.write_protect is WriteProtect.NONE:
            return False
        return address >= (self.part.protected_from or 0)

    def _begin_cycle(self, loaded: dict[int, int]) -> None:
        page = next(iter(loaded)) // self.part.page
        first = page * self.part.page
        old = bytes(self.memory[first : first + self.part.page])
        new = bytearray(old)
        for address, value in loaded.items():
            new[address - first] = value
        self.cycles += 1
        self.wear[page] += 1
        write = PageWrite(self.cycles, page, old, bytes(new), self.part.write_ms * 1000,
                          first=next(iter(loaded)) - first, count=len(loaded))
        for fault in self.faults:
            fault.write(write)
        self._store(page, write.new)
        if write.cut:
            self.power_off()
            raise PowerCut
        self._cycle = write
        self._busy_until_us = self.now_us + write.cycle_us

    def _store(self, page: int, content: bytes) -> None:
        first = page * self.part.page
        self.memory[first : first + self.part.page] = content
