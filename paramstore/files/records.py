"""Files of records, one on a line with a checksum and an end record: Intel HEX and S-record.

Read line by line so that every mistake is told with its place.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from typing import ClassVar

from paramstore.core.errors import SourceText, Span
from paramstore.files.runs import Collector, Reading

__all__ = ["RecordReader"]


class RecordReader(ABC):
    """Reads one file. A form says how a record looks (`pattern`, and `looks` in words: what it is
    not, what it is), which `end` a whole file has, and takes the content of each record."""

    form: ClassVar[str]
    title: ClassVar[str]
    pattern: ClassVar[re.Pattern[str]]
    looks: ClassVar[tuple[str, str]]
    end: ClassVar[str]

    def __init__(self, content: bytes, path: str) -> None:
        # Latin-1 gives every byte a character, so that any content has lines and columns.
        self._source = SourceText(path, content.decode("latin-1"))
        self._found = Collector(self._source)
        self._ended = self._joined = False

    def read(self) -> Reading:
        """Return what the file says. FindingsError with all mistakes (PS620 to PS626)."""
        last = 1
        for number, line in enumerate(self._source.text.split("\n"), start=1):
            text = line.strip()
            if text:
                last, column = number, line.index(text) + 1
                self._line(Span(number, column, number, column + len(text)), text)
        if not self._ended:
            self._found.fail(
                "PS624", "the end record is missing: the file was cut short",
                Span(last, 1, last, len(self._source.line(last)) + 1),
                label="the last line", help=f"a whole file ends with {self.end}")
        return self._found.finish(self.form, self.title)

    def _line(self, whole: Span, text: str) -> None:
        if self._ended:
            if not self._joined:
                self._found.fail("PS624", "a record follows the end record", whole,
                                 help="if files were joined, read them one by one")
            self._joined = True
        elif not self.pattern.fullmatch(text):
            self._found.fail("PS621", f"this is not {self.looks[0]}", whole,
                             help=f"a record is {self.looks[1]}")
        else:
            self._record(text, whole)

    def _wrong_sum(self, content: bytes, right: int, whole: Span) -> None:
        """Tell that the last byte is no right checksum: all bytes give `right` more than they
        should."""
        self._found.fail("PS623", f"the checksum is {content[-1]:02X}, "
                         f"{content[-1] - right & 0xFF:02X} would be right", whole)

    @abstractmethod
    def _record(self, text: str, whole: Span) -> None:
        """Take a record that looks like one."""
