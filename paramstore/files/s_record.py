"""Motorola S-record: read line by line so that every mistake is told, written by bincopy.

Source: SRecord's manual page srec_motorola(5). Records of one file are S1, S2 or S3, with 2, 3 or
4 address bytes; S5 and S6 count them, S9, S8 and S7 end the file.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from paramstore.core.errors import SourceText, Span
from paramstore.files.runs import Collector, Reading, Run, WriteOptions

__all__ = ["read", "write"]

_RECORD = re.compile(r"[Ss][0-9](?:[0-9A-Fa-f]{2}){3,}")
_ADDRESS_BYTES = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}
_HEADER, _DATA, _COUNT, _END = (0,), (1, 2, 3), (5, 6), (7, 8, 9)
_MOST = 16
"""Data bytes of a record that is written."""


def write(runs: Sequence[Run], options: WriteOptions) -> bytes:
    """Return a header, records with the shortest addresses that do, their count, and the end."""
    import bincopy

    file = bincopy.BinFile(header_encoding=None)
    file.header = b"EEPROM"
    file.execution_start_address = 0  # makes bincopy write the end record
    for run in runs:
        file.add_binary(run.data, address=run.address)
    last = max(r.end for r in runs) - 1
    bits = 16 if last < 1 << 16 else 24 if last < 1 << 24 else 32
    return bytes(file.as_srec(_MOST, bits).encode("ascii"))


def read(content: bytes, path: str) -> Reading:
    """Return what an S-record file says. FindingsError with all mistakes (PS620 to PS626)."""
    return _Reader(SourceText(path, content.decode("latin-1"))).read()


class _Reader:
    def __init__(self, source: SourceText) -> None:
        self._source = source
        self._found = Collector(source)
        self._records = 0
        self._ended = self._joined = False

    def read(self) -> Reading:
        last = 1
        for number, line in enumerate(self._source.text.split("\n"), start=1):
            text = line.strip()
            if text:
                last = number
                self._line(Span(number, line.index(text) + 1, number,
                                line.index(text) + len(text) + 1), text)
        if not self._ended:
            self._found.fail(
                "PS624", "the end record is missing: the file was cut short",
                Span(last, 1, last, len(self._source.line(last)) + 1), label="the last line",
                help="a whole file ends with a record S7, S8 or S9")
        return self._found.finish("srec", "Motorola S-record")

    def _line(self, whole: Span, text: str) -> None:
        fail = self._found.fail
        if self._ended:
            if not self._joined:
                fail("PS624", "a record follows the end record", whole,
                     help="if files were joined, read them one by one")
            self._joined = True
            return
        if not _RECORD.fullmatch(text):
            fail("PS621", "this is not an S-record", whole,
                 help="a record is `S`, a type and at least 3 pairs of hex digits")
            return
        kind, content = int(text[1]), bytes.fromhex(text[2:])
        if content[0] != len(content) - 1:
            fail("PS622", f"the record says {content[0]} bytes and has {len(content) - 1}", whole)
        elif right := (sum(content) + 1) & 0xFF:
            fail("PS623", f"the checksum is {content[-1]:02X}, "
                 f"{content[-1] - right & 0xFF:02X} would be right", whole)
        elif kind not in _ADDRESS_BYTES:
            fail("PS621", f"there is no record type S{kind}", whole,
                 help="types are S0 to S3 and S5 to S9")
        elif content[0] < _ADDRESS_BYTES[kind] + 1:
            fail("PS622", f"a record S{kind} has {_ADDRESS_BYTES[kind]} address bytes, "
                 f"this one {content[0] - 1}", whole)
        else:
            self._take(kind, content[1:-1], whole)

    def _take(self, kind: int, content: bytes, whole: Span) -> None:
        size = _ADDRESS_BYTES[kind]
        number, data = int.from_bytes(content[:size], "big"), content[size:]
        if kind in _DATA:
            self._records += 1
            self._found.place(number, data, whole)
        elif kind in _COUNT and number != self._records and not self._found.findings:
            self._found.fail(
                "PS624", f"the file says {number} data records and has {self._records}", whole)
        elif kind in _END:
            self._ended = True
