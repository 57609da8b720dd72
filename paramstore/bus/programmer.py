"""The manners of a part: its addresses, its pages, its busy times. Knows no record and no label."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

from paramstore.bus.bus import Bus, BusTrouble, NotReady, TooLong
from paramstore.core.errors import Finding, FindingsError, SourceText, ToolError
from paramstore.schema.part import Part

__all__ = ["READ_BYTES", "PageFault", "Programmer", "Progress"]

READ_BYTES = 128
"""Read in one transfer, if the adapter does not do less."""

_TRIES = 5
"""Of a transfer that the bus fails in. Each one waits for a write cycle first, because some
drivers report a busy part as a failure of the bus."""

_NEIGHBOURS = range(0x50, 0x58)
"""Where EEPROMs are (common practice)."""

Progress = Callable[[int], None]
"""Told how many bytes more are done."""


class Chunk(NamedTuple):
    """One transfer of a page write."""

    address: int
    size: int


class PageFault(FindingsError):
    """A page took a write and holds `held` from `address` on, not what was sent (PS966)."""

    def __init__(self, finding: Finding, address: int, held: bytes) -> None:
        super().__init__([finding])
        self.address, self.held = address, held


class Programmer:
    """Reads and writes one part of kind `part` at the device address `address`."""

    def __init__(self, bus: Bus, part: Part, address: int) -> None:
        self.bus = bus
        self.part = part
        self.address = address

    @property
    def name(self) -> str:
        """The part for people: bus and address."""
        return f"{self.bus.name}, 0x{self.address:02X}"

    @property
    def addresses(self) -> tuple[int, ...]:
        """All device addresses of the part: more than one if they carry bits of the memory
        address."""
        return tuple(self.address | block << self.part.block_shift
                     for block in range(1 << self.part.block_bits))

    def check(self) -> None:
        """Ask at all device addresses of the part. ToolError if none answers, FindingsError
        (PS961) if only some do: then it is another part."""
        block = 1 << 8 * self.part.address_bytes
        for number, device in enumerate(self.addresses):
            try:
                self.read_at(number * block, 1)
            except ToolError:
                if number == 0:
                    raise
                raise FindingsError([Finding(
                    "PS961", f"the part is no {self.part.name}: it answers at "
                    f"0x{self.address:02X}, but not at 0x{device:02X}", SourceText(self.name, ""),
                    help=f"fit a {self.part.name}, which has {self.part.capacity} bytes, or give "
                    "the schema of this part")]) from None

    def read(self, progress: Progress = lambda _: None) -> bytes:
        """Return the content of the whole part. ToolError if it does not answer."""
        return self.read_at(0, self.part.capacity, progress)

    def read_at(self, address: int, count: int, progress: Progress = lambda _: None) -> bytes:
        """Return `count` bytes from `address` on, asking again while the part is busy."""
        content = bytearray()
        block = 1 << 8 * self.part.address_bytes
        while len(content) < count:
            at = address + len(content)
            # No read goes on past what a memory address can say: some parts stay in their block.
            most = min(READ_BYTES, self.bus.limits.into, block - at % block)
            try:
                piece = self._transfer_polling(at, b"", min(most, count - len(content)))
            except TooLong:
                continue  # the limits are tighter now, so the next piece is shorter
            content += piece
            progress(len(piece))
        return bytes(content)

    def write_page(self, address: int, content: bytes) -> None:
        """Write bytes inside one page, wait until the part has stored them, and read them back.

        ToolError if the part does not answer, FindingsError (PS969) if it answers and takes no
        data, PageFault if it holds other bytes then.
        """
        assert address // self.part.page == (address + len(content) - 1) // self.part.page
        self.send(address, content)
        self.confirm(address, content)

    def send(self, address: int, content: bytes) -> None:
        """Write bytes to a page from `address` on; those beyond its end roll over to its start."""
        done = 0
        while done < len(content):
            piece = next(iter(self.pieces(address, len(content), done)))
            try:
                self._transfer_polling(piece.address, content[done:done + piece.size], 0)
            except TooLong:
                continue  # the limits are tighter now, so the next piece is shorter
            self.bus.wait(self.part.poll_us)
            done += piece.size

    def pieces(self, address: int, count: int, done: int = 0) -> Iterator[Chunk]:
        """Yield the transfers in which bytes go to a page, as far as they are not `done`. ToolError
        if the adapter cannot do any."""
        page = self.part.page
        first = address // page * page
        room = self.bus.limits.out - self.part.address_bytes
        if room < 1:
            raise ToolError(f"the adapter of {self.bus.name} cannot write to a part with "
                            f"{self.part.address_bytes}-byte addresses",
                            "use an adapter that does plain I2C")
        for at in range(done, count, room):
            yield Chunk(first + (address - first + at) % page, min(room, count - at))

    def confirm(self, address: int, content: bytes) -> None:
        """Read back what was written; PageFault if it is something else."""
        held = self.read_at(address, len(content))
        if held != content:
            at = next(i for i, (a, b) in enumerate(zip(held, content, strict=True)) if a != b)
            raise PageFault(Finding(
                "PS966", f"the page at 0x{address:04X} does not take what is written",
                SourceText(self.name, ""),
                notes=(f"byte 0x{address + at:04X} is {held[at]:02X}, not {content[at]:02X}",),
                help="see that the write-protect pin is low and the supply good, then repeat"),
                address, held)

    def _transfer_polling(self, address: int, data: bytes, count: int) -> bytes:
        """Transfer; a part that is busy does not acknowledge, and is asked again for a while."""
        width = self.part.address_bytes
        device = self.address | address >> 8 * width << self.part.block_shift
        memory = (address & (1 << 8 * width) - 1).to_bytes(width, "big")
        waited_us = failed = 0
        while True:
            pause = self.part.poll_us
            try:
                answer = self.bus.transfer(device, memory + data, count)
                if answer is not None:
                    return answer
                trouble = None
            except TooLong:
                raise
            except BusTrouble as error:
                trouble, failed = error, failed + 1
                pause = self.part.timeout_us // 2
            if isinstance(trouble, NotReady) and failed > 1:
                raise self._writes_addresses() from trouble
            if failed == _TRIES or (trouble is None and waited_us >= self.part.timeout_us):
                self._refuse_protected(device, memory, data)
                raise trouble or ToolError(
                    f"no answer from 0x{device:02X} on {self.bus.name}", self._who_answers())
            self.bus.wait(pause)
            waited_us += pause

    def _writes_addresses(self) -> FindingsError:
        """What a part does that takes the second byte of an address for data, on a bus that makes
        a STOP behind it."""
        return FindingsError([Finding(
            "PS961", f"the part is no {self.part.name}: it takes one byte of memory address, not "
            f"{self.part.address_bytes}", SourceText(self.name, ""),
            notes=("this adapter cannot read without a STOP behind the address, so the part stored "
                   "the second byte of it: one byte of the part has changed",),
            help="fit the part of the schema, or give the schema of this part")])

    def _refuse_protected(self, device: int, memory: bytes, data: bytes) -> None:
        """FindingsError (PS969) if a part that takes no data answers when it is read."""
        if not data or not self._answers(device, memory):
            return
        raise FindingsError([Finding(
            "PS969", f"the part at 0x{device:02X} answers, but does not take data",
            SourceText(self.name, ""),
            notes=(f"it refuses a write to 0x{int.from_bytes(memory, 'big'):04X}",),
            help="pull the write-protect pin low; then repeat")])

    def _answers(self, device: int, memory: bytes = b"") -> bool:
        while True:
            try:
                return self.bus.transfer(device, memory, 1) is not None
            except TooLong:
                continue  # the limits are tighter now, so the next piece is shorter
            except BusTrouble:
                return False

    def _who_answers(self) -> str:
        """What to check if nobody is at the address."""
        there = [f"0x{a:02X}" for a in _NEIGHBOURS
                 if a not in self.addresses and self._answers(a)]
        return (f"something answers at {', '.join(there)}: check the address pins, or `address` "
                "in the schema" if there else "check the supply, the address pins and the wires")
