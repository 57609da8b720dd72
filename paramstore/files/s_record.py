"""Motorola S-record: read as a file of records, written by bincopy.

Source: SRecord's manual page srec_motorola(5). Records of one file are S1, S2 or S3, with 2, 3 or
4 address bytes; S5 and S6 count them, S9, S8 and S7 end the file.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from paramstore.core.errors import Span
from paramstore.files.records import RecordReader
from paramstore.files.runs import READ_DEFAULTS, Reading, ReadOptions, Run, WriteOptions

__all__ = ["read", "write"]

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


def read(content: bytes, path: str, _options: ReadOptions = READ_DEFAULTS) -> Reading:
    """Return what an S-record file says. FindingsError with all mistakes (PS620 to PS626)."""
    return _Reader(content, path).read()


class _Reader(RecordReader):
    form, title, end = "srec", "Motorola S-record", "a record S7, S8 or S9"
    pattern = re.compile(r"[Ss][0-9](?:[0-9A-Fa-f]{2}){3,}")
    looks = "an S-record", "`S`, a type and at least 3 pairs of hex digits"
    _records = 0

    def _record(self, text: str, whole: Span) -> None:
        fail = self._found.fail
        kind, content = int(text[1]), bytes.fromhex(text[2:])
        if content[0] != len(content) - 1:
            fail("PS622", f"the record says {content[0]} bytes and has {len(content) - 1}", whole)
        elif right := (sum(content) + 1) & 0xFF:
            self._wrong_sum(content, right, whole)
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
            self._found.add_run(number, data, whole)
        elif kind in _COUNT and number != self._records and not self._found.findings:
            self._found.fail(
                "PS624", f"the file says {number} data records and has {self._records}", whole)
        elif kind in _END:
            self._ended = True
