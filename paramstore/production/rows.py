"""Tables as long as a production run: CSV read line by line, never held as a whole.

Cells are those of `calibrate.cells`, so both kinds of table have one form. Knows no parameters.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from paramstore.calibrate.cells import Cell, Row, split_line
from paramstore.core.disk import unreadable
from paramstore.core.errors import Finding, FindingsError, Severity, SourceText, Span

__all__ = ["EMPTY", "MAX_LINE", "TableLine", "TableRow", "read_rows"]

EMPTY = "\0"
"""No cell has it: no line has zero bytes."""
MAX_LINE = 1 << 16
"""Bytes of a line that is read as one; a table of units has none as long."""

_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class TableLine(SourceText):
    """One line of a table, so that a finding can quote it without the rest."""

    number: int

    def line(self, number: int) -> str:
        """Return the line if it is that one, else ""."""
        return self.text if number == self.number else ""


@dataclass(slots=True)
class TableRow:
    """One row: the texts of its cells (`EMPTY` for one in quotes with nothing in it), and the line
    that they come from. A row whose quotes do not match has no texts.

    Not frozen, and without places until one is asked for: there are as many rows as units.
    """

    path: str
    line: str
    number: int  # of the line in its file, from 1
    texts: Sequence[str]
    _cells: Row | None = None

    @property
    def source(self) -> TableLine:
        """The line, for a finding to quote."""
        return TableLine(self.path, self.line, self.number)

    @property
    def cells(self) -> Row:
        """The cells with their places."""
        if self._cells is None:
            self._cells = split_line(self.line, self.number)
        return self._cells

    @property
    def span(self) -> Span:
        """From the first cell to the last."""
        cells = self.cells
        first, last = cells[0].span, cells[-1].span
        return Span(first.line, first.column, last.line, last.end_column)


def read_rows(path: str, findings: list[Finding]) -> Iterator[TableRow]:
    """Yield the rows of a file that are neither empty nor comments.

    Adds a finding for a row whose quotes do not match (PS932), which counts all the same, and a
    warning for a byte-order mark (PS931). FindingsError (PS931) if the file is not UTF-8 text or no
    table, ToolError if it cannot be read.
    """
    try:
        with Path(path).open("rb") as stream:
            number = 0
            while line := stream.readline(MAX_LINE + 1):
                number += 1
                text = _text(path, number, line, findings)
                if text.strip(" \t,") and not text.lstrip().startswith("#"):
                    if '"' not in text:
                        yield TableRow(path, text, number, [t.strip() for t in text.split(",")])
                        continue
                    row = TableRow(path, text, number, [])
                    if _quotes_match(row, findings):
                        row.texts = [c.text or (EMPTY if c.quoted else "") for c in row.cells]
                    yield row
    except OSError as error:
        raise unreadable(path, error) from error


def _text(path: str, number: int, line: bytes, findings: list[Finding]) -> str:
    if number == 1 and line[:2] in _UTF_16:
        _refuse(path, number, "is UTF-16 text, not UTF-8",
                "save the table as CSV with UTF-8, not as Unicode text")
    if b"\r" in line.rstrip(b"\r\n"):
        _refuse(path, number, f"is no table: line {number} has carriage returns inside",
                "save the table as CSV with UTF-8, a line feed at the end of each line")
    if len(line) > MAX_LINE or b"\0" in line:
        _refuse(path, number, f"is no table: line {number} "
                + ("never ends" if len(line) > MAX_LINE else "has zero bytes"),
                "save the table as CSV with UTF-8")
    if number == 1 and line.startswith(_BOM):
        # A blank in its place keeps the columns of the line.
        line = b" " + line[len(_BOM):]
        findings.append(Finding(
            "PS931", "the file begins with a byte-order mark", TableLine(path, _plain(line), 1),
            Span(1, 1, 1, 2), notes=("it was left out",), help="save it as UTF-8 without one",
            severity=Severity.WARNING))
    try:
        return line.decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError as error:
        _refuse(path, number, f"is not UTF-8 text: byte 0x{line[error.start]:02X} in line {number}",
                "save the table as CSV with UTF-8")


def _plain(line: bytes) -> str:
    return line.decode("utf-8", "replace").rstrip("\r\n")


def _refuse(path: str, number: int, what: str, help: str) -> NoReturn:
    raise FindingsError([Finding("PS931", f"`{path}` {what}", TableLine(path, "", number),
                                 help=help)])


def _quotes_match(row: TableRow, findings: list[Finding]) -> bool:
    broken: Cell | None = next((c for c in row.cells if '"' in c.text and not c.quoted), None)
    if broken is None:
        return True
    findings.append(Finding(
        "PS932", "the quotes of this cell do not match", row.source, broken.span,
        notes=("a cell in quotes begins and ends with `\"` on one line; inside, `\"\"` stands for "
               "one",),
        help="mend the quotes, or take them out"))
    return False
