"""Intel HEX: read as a file of records, written by bincopy.

Source: Intel, Hexadecimal Object File Format Specification, Rev. A, 1988, as restated by
SRecord's manual page srec_intel(5).
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from paramstore.core.errors import Span
from paramstore.files.records import RecordReader
from paramstore.files.runs import READ_DEFAULTS, Reading, ReadOptions, Run, WriteOptions

__all__ = ["read", "write"]

_DATA, _END, _SEGMENT, _START_SEGMENT, _LINEAR, _START_LINEAR = range(6)
_PAYLOAD_BYTES = {_END: 0, _SEGMENT: 2, _START_SEGMENT: 4, _LINEAR: 2, _START_LINEAR: 4}


def write(runs: Sequence[Run], options: WriteOptions) -> bytes:
    """Return records of 16 bytes, and the end record."""
    import bincopy

    file = bincopy.BinFile()
    for run in runs:
        file.add_binary(run.data, address=run.address)
    return bytes(file.as_ihex(number_of_data_bytes=16).encode("ascii"))


def read(content: bytes, path: str, _options: ReadOptions = READ_DEFAULTS) -> Reading:
    """Return what an Intel HEX file says. FindingsError with all mistakes (PS620 to PS626)."""
    return _Reader(content, path).read()


class _Reader(RecordReader):
    form, title, end = "hex", "Intel HEX", "`:00000001FF`"
    pattern = re.compile(r":(?:[0-9A-Fa-f]{2}){5,}")
    looks = "an Intel HEX record", "`:` and at least 5 pairs of hex digits"
    _base = 0
    _segmented = False

    def _record(self, text: str, whole: Span) -> None:
        fail = self._found.fail
        content = bytes.fromhex(text[1:])
        size, kind, data = content[0], content[3], content[4:-1]
        if size != len(data):
            fail("PS622", f"the record says {size} data bytes and has {len(data)}", whole)
        elif right := sum(content) & 0xFF:
            self._wrong_sum(content, right, whole)
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
            self._found.add_run(self._base + address, data, span)


def _digits(span: Span, first: int, count: int) -> Span:
    return Span(span.line, span.column + first, span.line, span.column + first + count)
