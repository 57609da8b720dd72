"""Comma-separated text as cells, each with its place.

The csv module of Python gives no columns, and every message here needs one; the quoting is that of
RFC 4180, without line ends inside quotes, which no table of measurements has. Lines that begin
with `#` are comments. Knows no columns and no numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from paramstore.core.errors import Finding, FindingsError, SourceText, Span

__all__ = ["Cell", "Row", "source_of", "split_line", "split_rows"]

_CELL = re.compile(r'[ \t]*"((?:[^"]|"")*)"[ \t]*(?=,|$)|([^,]*)')
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text without quotes and blanks around it, and where it stands."""

    text: str
    span: Span
    quoted: bool = False


Row = tuple[Cell, ...]


def source_of(path: str, data: bytes) -> SourceText:
    """Return the bytes of a table as text; FindingsError (PS100, PS811) if they are not UTF-8.

    A byte-order mark stays, so that `split_rows` can tell of it.
    """
    try:
        return SourceText(path, data.decode("utf-8"))
    except UnicodeDecodeError as error:
        if data[:2] in _UTF_16:
            raise FindingsError([Finding(
                "PS811", f"`{path}` is UTF-16 text, not UTF-8", SourceText(path, ""),
                notes=("it begins with the byte-order mark of UTF-16",),
                help="save the table as CSV with UTF-8, not as Unicode text")]) from error
        line = data.count(b"\n", 0, error.start) + 1
        raise FindingsError([Finding(
            "PS100", f"`{path}` is not UTF-8 text: byte 0x{data[error.start]:02X} in line {line}",
            SourceText(path, ""), help="save the table as CSV with UTF-8")]) from error


def split_rows(source: SourceText, findings: list[Finding]) -> Iterator[Row]:
    """Yield the rows that are neither empty nor comments.

    Adds a finding for a row whose quotes do not match (PS812), and leaves the row out.
    FindingsError (PS811) for a line that has carriage returns inside.
    """
    for number, line in enumerate(source.text.split("\n"), start=1):
        text = line.rstrip("\r")
        if not text.strip(" \t,") or text.lstrip().startswith("#"):
            continue
        if "\r" in text:
            raise FindingsError([Finding(
                "PS811", f"`{source.path}` is no table: line {number} has carriage returns inside",
                help="save the table as CSV with UTF-8, a line feed at the end of each line")])
        row = split_line(text, number)
        broken = next((c for c in row if '"' in c.text and not c.quoted), None)
        if broken is None:
            yield row
        else:
            findings.append(Finding(
                "PS812", "the quotes of this cell do not match", source, broken.span,
                notes=("a cell in quotes begins and ends with `\"` on one line; inside, `\"\"` "
                       "stands for one",),
                help="mend the quotes, or take them out"))


def split_line(text: str, line: int) -> Row:
    """Return the cells of one line, number `line` of its file."""
    cells, at = [], 0
    while at <= len(text):
        found = _CELL.match(text, at)
        assert found is not None  # the second branch matches anything
        whole, quoted = found[0], found[1] is not None
        lead = len(whole) - len(whole.lstrip())
        bare = whole.strip()
        start = at + lead + 1
        span = Span(line, start, line, start + max(1, len(bare)))
        cells.append(Cell(found[1].replace('""', '"').strip() if quoted else bare, span, quoted))
        at = found.end() + 1
    return tuple(cells)
