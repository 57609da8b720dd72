"""Text tables for reports: columns that line up, units under the headings, nothing else.

Knows strings only. Widths count characters; text from a schema is made printable first.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from paramstore.core.text import printable

__all__ = ["WIDTH", "Column", "display_width", "named_lines", "table"]

WIDTH = 100
"""Letters of a line of a report."""


class Column(NamedTuple):
    """One column: heading, unit (shown under it), and on which side its cells line up."""

    head: str
    unit: str = ""
    right: bool = True


def table(columns: Sequence[Column], rows: Sequence[Sequence[str]], indent: int = 0,
          within: int | None = None) -> list[str]:
    """Return the lines of a table: headings, units if any column has one, a rule, the rows.

    Each row has one cell for each column. Lines carry no blanks at their end. So that they are no
    longer than `within`, the words of the first column go on in lines below.
    """
    headers = [[c.head for c in columns]]
    if any(c.unit for c in columns):
        headers.append([c.unit for c in columns])
    body = [[printable(cell) for cell in row] for row in rows]
    widths = _widths([*headers, *body])
    if within is not None:
        room = within - indent - sum(2 + width for width in widths[1:])
        body = [line for row in body for line in _folded(row, room)]
        widths = _widths([*headers, *body])
    lines = [_line(row, columns, widths) for row in headers]
    lines.append("  ".join("-" * w for w in widths))
    lines += [_line(row, columns, widths) for row in body]
    return [" " * indent + line for line in lines]


def _widths(rows: Sequence[Sequence[str]]) -> list[int]:
    return [max(map(display_width, column)) for column in zip(*rows, strict=True)]


def _folded(row: Sequence[str], room: int) -> Iterator[list[str]]:
    """Yield a row as rows whose first cell has whole words, in `room` if they are not longer."""
    if display_width(row[0]) <= room:
        yield list(row)
        return
    import textwrap  # as above

    first, *more = textwrap.wrap(row[0], max(room, 1), break_long_words=False,
                                 break_on_hyphens=False)
    yield [first, *row[1:]]
    yield from ([rest, *[""] * (len(row) - 1)] for rest in more)


def named_lines(pairs: Sequence[tuple[str, str]], least: int = 0) -> Iterator[str]:
    """Yield indented lines of names and what stands beside them, wrapped where that is long.

    `least` is the smallest width of the names.
    """
    width = max([least, *(len(name) for name, _ in pairs)])
    hang = " " * (width + 4)
    for name, text in pairs:
        lines = [text]
        if width + 4 + display_width(text) > WIDTH:
            import textwrap  # lines that need it are rare, and it takes its time

            lines = textwrap.wrap(text, WIDTH - len(hang), break_on_hyphens=False)
        yield f"  {name:{width}}  {lines[0]}"
        yield from (hang + line for line in lines[1:])


def display_width(text: str) -> int:
    """Return how many terminal cells `text` takes: wide letters take two, accents none."""
    return len(text) if text.isascii() else sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def _line(cells: Sequence[str], columns: Sequence[Column], widths: Sequence[int]) -> str:
    padded = []
    for cell, column, width in zip(cells, columns, widths, strict=True):
        blank = " " * (width - display_width(cell))
        padded.append(blank + cell if column.right else cell + blank)
    return "  ".join(padded).rstrip()
