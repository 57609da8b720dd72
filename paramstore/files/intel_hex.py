"""Intel HEX: read line by line so that every mistake is told with its place, written by bincopy.

Source: Intel, Hexadecimal Object File Format Specification, Rev. A, 1988, as restated by
SRecord's manual page srec_intel(5).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from paramstore.core.errors import SourceText, Span
from paramstore.files.runs import Collector, Reading, Run, WriteOptions

__all__ = ["read", "write"]

_DATA, _END, _SEGMENT, _START_SEGMENT, _LINEAR, _START_LINEAR = range(6)
_PAYLOAD_BYTES = {_END: 0, _SEGMENT: 2, _START_SEGMENT: 4, _LINEAR: 2, _START_LINEAR: 4}
_RECORD = re.compile(r":(?:[0-9A-Fa-f]{2}){5,}")


def write(runs: Sequence[Run], options: WriteOptions) -> bytes:
    """Return records of 16 bytes, and the end record."""
    import bincopy

    file = bincopy.BinFile()
    for run in runs:
        file.add_binary(run.data, address=run.address)
    return bytes(file.as_ihex(number_of_data_bytes=16).encode("ascii"))


def read(content: bytes, path: str) -> Reading:
    """Return what an Intel HEX file says. FindingsError with all mistakes (PS620 to PS626)."""
    # Latin-1 gives every byte a character, so that any content has lines and columns.
    return _Reader(SourceText(path, content.decode("latin-1"))).read()


class _Reader:
    def __init__(self, source: SourceText) -> None:
        self._source = source
        self._found = Collector(source)
        self._base = 0
        self._segmented = False
        self._ended = self._joined = False

    def read(self) -> Reading:
        last = 1
        for number, line in enumerate(self._source.text.split("\n"), start=1):
            text = line.strip()
            if text:
                last = number
                self._line(number, line.index(text) + 1, text)
        if not self._ended:
            self._found.fail(
                "PS624", "the end record is missing: the file was cut short",
                Span(last, 1, last, len(self._source.line(last)) + 1),
                label="the last line", help="a whole file ends with `:00000001FF`")
        return self._found.finish("hex", "Intel HEX")

    def _line(self, number: int, column: int, text: str) -> None:
        whole = Span(number, column, number, column + len(text))
        fail = self._found.fail
        if self._ended:
            if not self._joined:
                fail("PS624", "a record follows the end record", whole,
                     help="if files were joined, read them one by one")
            self._joined = True
            return
        if not _RECORD.fullmatch(text):
            fail("PS621", "this is not an Intel HEX record", whole,
                 help="a record is `:` and at least 5 pairs of hex digits")
            return
        content = bytes.fromhex(text[1:])
        size, kind, data = content[0], content[3], content[4:-1]
        if size != len(data):
            fail("PS622", f"the record says {size} data bytes and has {len(data)}", whole)
        elif right := sum(content) & 0xFF:
            fail("PS623", f"the checksum is {content[-1]:02X}, "
                 f"{content[-1] - right & 0xFF:02X} would be right", whole)
        elif kind == _DATA:
            self._place(int.from_bytes(content[1:3], "big"), data, whole)
        elif kind not in _PAYLOAD_BYTES:
            fail("PS621", f"there is no record type {kind:02X}", _digits(whole, 7, 2),
                 help="types are 00 to 05")
        elif size != _PAYLOAD_BYTES[kind]:
            fail("PS621", f"a record of type {kind:02X} has {_PAYLOAD_BYTES[kind]} data "
                 f"bytes, not {size}", _digits(whole, 1, 2))
        elif kind == _END:
            self._ended = True
        elif kind in (_SEGMENT, _LINEAR):
            self._segmented = kind == _SEGMENT
            self._base = int.from_bytes(data, "big") << (4 if self._segmented else 16)

    def _place(self, address: int, data: bytes, span: Span) -> None:
        if self._segmented and address + len(data) > 0x10000:
            self._found.fail(
                "PS621", "the record runs past the end of its 64 KiB segment", span)
        else:
            self._found.place(self._base + address, data, span)


def _digits(span: Span, first: int, count: int) -> Span:
    return Span(span.line, span.column + first, span.line, span.column + first + count)
