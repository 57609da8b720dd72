"""The manners of a part: its addresses, its pages, its busy times. Knows no record and no label."""

from __future__ import annotations

from collections.abc import Callable

from paramstore.bus.bus import Bus
from paramstore.errors import Finding, FindingsError, SourceText, ToolError
from paramstore.parts.part import Part

__all__ = ["READ_BYTES", "Programmer", "Progress"]

READ_BYTES = 128
"""Read in one transfer: little enough for adapters that limit it (common practice)."""

Progress = Callable[[int], None]
"""Told how many bytes more are done."""


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

    def read(self, progress: Progress = lambda _: None) -> bytes:
        """Return the content of the whole part. ToolError if it does not answer."""
        content = bytearray()
        while len(content) < self.part.capacity:
            # No read goes on past what a memory address can say: some parts stay in their block.
            piece = self.read_at(len(content), min(READ_BYTES, self.part.capacity - len(content)))
            content += piece
            progress(len(piece))
        return bytes(content)

    def read_at(self, address: int, count: int) -> bytes:
        """Return `count` bytes from `address` on, asking again while the part is busy."""
        return self._patiently(address, b"", count)

    def write_page(self, address: int, content: bytes) -> None:
        """Write bytes inside one page, wait until the part has stored them, and read them back.

        ToolError if the part does not answer, FindingsError (PS966) if it holds other bytes then.
        """
        assert address // self.part.page == (address + len(content) - 1) // self.part.page
        self._patiently(address, content, 0)
        self.bus.wait(self.part.poll_us)
        held = self.read_at(address, len(content))
        if held != content:
            at = next(i for i, (a, b) in enumerate(zip(held, content, strict=True)) if a != b)
            raise FindingsError([Finding(
                "PS966", f"the page at 0x{address:04X} does not take what is written",
                SourceText(self.name, ""),
                notes=(f"byte 0x{address + at:04X} is {held[at]:02X}, not {content[at]:02X}",),
                help="see that the write-protect pin is low and the supply good, then repeat")])

    def _patiently(self, address: int, data: bytes, count: int) -> bytes:
        """Transfer; a part that is busy does not acknowledge, and is asked again for a while."""
        width = self.part.address_bytes
        device = self.address | address >> 8 * width << self.part.block_shift
        out = (address & (1 << 8 * width) - 1).to_bytes(width, "big") + data
        waited_us = 0
        while True:
            answer = self.bus.transfer(device, out, count)
            if answer is not None:
                return answer
            if waited_us >= self.part.timeout_us:
                raise ToolError(
                    f"no answer from 0x{device:02X} on {self.bus.name}",
                    "check the supply, the address pins and the wires")
            self.bus.wait(self.part.poll_us)
            waited_us += self.part.poll_us
