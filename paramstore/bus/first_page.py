"""The first page that a blank part is given: it tells whether the part is the planned one.

Nothing can be told from a blank part by reading it. So its first page is written from its last byte
on: the address rolls over inside a page (data sheets), and in the planned part that is a page like
any other, for one write cycle. A part with other pages, with memory addresses of another length or
with less bytes puts some of it elsewhere. That is named then, and as far as possible taken back.
An adapter that sends single bytes cannot tell the pages. FRAM has none, and is written straight on.
"""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.bus.programmer import PageFault, Programmer
from paramstore.bus.steps import Put
from paramstore.core.errors import Finding, FindingsError, SourceText

__all__ = ["write_first_page"]

_PAGES = (8, 16, 32, 64, 128, 256)
"""The pages that EEPROMs have (the catalogue)."""


def write_first_page(programmer: Programmer, put: Put) -> None:
    """Write bytes from the start of a page on; PageFault if they are not there then, FindingsError
    (PS961) if that is because it is another part."""
    part = programmer.part
    around = put.address // _PAGES[-1] * _PAGES[-1]
    size = min(_PAGES[-1], part.capacity)
    before = programmer.read_at(around, size)
    mirror = put.address + part.capacity // 2
    there = programmer.read_at(mirror, len(put.data))
    start = put.address - around
    content = put.data + before[start + len(put.data):start + part.page]
    pages = part.write_ms > 0
    at, sent = put.address, put.data
    if pages:
        at = put.address + part.page - 1
        sent = content[-1:] + (put.data if len(put.data) < part.page else content[:-1])
    programmer.send(at, sent)
    try:
        programmer.confirm(put.address, content)
    except PageFault as fault:
        words = ((_other_page(programmer, at, sent, before, around) if pages else "")
                 or _other_width(programmer, at, sent))
        if words:
            raise _finding(programmer, words) from fault
        raise
    if there != put.data and programmer.read_at(mirror, len(put.data)) == put.data:
        programmer.send(put.address, before[start:start + len(put.data)])
        raise _finding(programmer, f"has less than its {part.capacity} bytes: what is written at "
                       f"0x{put.address:04X} is at 0x{mirror:04X} as well")


def _other_page(programmer: Programmer, address: int, sent: bytes, before: bytes,
                around: int) -> str:
    """Tell the page by where the bytes went, and put back what was there."""
    held = programmer.read_at(around, len(before))
    for page in (p for p in _PAGES if p != programmer.part.page):
        places = [at - around for at in _places(programmer, address, len(sent), page)]
        if max(places) >= len(before):
            continue
        expected = bytearray(before)
        for at, byte in zip(places, sent, strict=True):
            expected[at] = byte
        if held == expected:
            programmer.send(address, bytes(before[at] for at in places))
            return f"has pages of {page} bytes, not {programmer.part.page}"
    return ""


def _places(programmer: Programmer, address: int, count: int, page: int) -> Iterator[int]:
    """Yield where bytes go that are sent to a part with another page."""
    for piece in programmer.pieces(address, count):
        first = piece.address // page * page
        for i in range(piece.size):
            yield first + (piece.address - first + i) % page


def _other_width(programmer: Programmer, address: int, sent: bytes) -> str:
    """Tell a part whose memory addresses have another length by asking it in its own way for the
    last bytes that were sent."""
    part, bus = programmer.part, programmer.bus
    *_, piece = programmer.pieces(address, len(sent))
    low = piece.address & (1 << 8 * part.address_bytes) - 1
    stream = low.to_bytes(part.address_bytes, "big") + sent[-piece.size:]
    width = 3 - part.address_bytes
    first, data = int.from_bytes(stream[:width], "big"), stream[width:]
    for page in _PAGES:
        start = first // page * page
        places = {start + (first - start + i) % page: byte for i, byte in enumerate(data)}
        if all(bus.transfer(programmer.address, at.to_bytes(width, "big"), 1) == bytes([byte])
               for at, byte in places.items() if at < 1 << 8 * width):
            takes = "one byte" if width == 1 else "two bytes"
            return f"takes {takes} of memory address, not {part.address_bytes}"
    return ""


def _finding(programmer: Programmer, words: str) -> FindingsError:
    return FindingsError([Finding(
        "PS961", f"the part is no {programmer.part.name}: it {words}",
        SourceText(programmer.name, ""),
        notes=("one page was written to find that out, and no more",),
        help="fit the part of the schema, or give the schema of this part")])
