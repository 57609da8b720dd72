"""Tables with an address in front of each row, as spreadsheets and loggers write them, put into
lines of a dump.

    0x0010;50;53;4C;D5   ->   0x0010: 50 53 4C D5
"""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise
from typing import NamedTuple

__all__ = ["as_dump", "counting_row"]

_FIELD = r"\"?+(?:0[xX][0-9A-Fa-f]{1,16}|[0-9A-Fa-f]{1,16}[hH]?|-[0-9]{1,3})\"?+"
_ROW = re.compile(rf"[ \t]*+{_FIELD} *+(?:[,;\t] *+{_FIELD} *+)++[,;\t]*+[ \t\r]*+")
_LEAST = 3
"""Rows that are no chance."""


class _Row(NamedTuple):
    line: int
    address: str
    values: tuple[str, ...]


def as_dump(text: str) -> str | None:
    """Return a text with the rows of its table as lines of a dump; None if it is no table of
    addresses, which go up by the number of values behind them."""
    lines, rows = text.split("\n"), _rows(text)
    if len(rows) < _LEAST or not _counts(rows):
        return None
    for row in rows:
        lines[row.line] = f"{row.address}: {' '.join(row.values)}"
    return "\n".join(lines)


def counting_row(text: str) -> int | None:
    """Return the line, from 1, at which a table begins whose first column counts up, but not by the
    number of values behind it: it is no byte, and nothing tells which of the others are."""
    rows = _rows(text)
    if len(rows) <= _LEAST or len({len(r.values) for r in rows}) > 1:
        return None
    for base in (10, 16):
        try:
            at = [int(row.address.rstrip("hH"), base) for row in rows]
        except ValueError:
            continue
        steps = {b - a for a, b in pairwise(at)}
        if len(steps) == 1 and steps.pop() > 0:
            return rows[0].line + 1
    return None


def _rows(text: str) -> list[_Row]:
    rows = []
    for number, line in enumerate(text.split("\n")):
        if _ROW.fullmatch(line):
            fields = re.split("[,;\t]", line.rstrip(",;\t \r"))
            first, *values = (field.strip("\" \t\r") for field in fields)
            rows.append(_Row(number, first, tuple(values)))
    return rows


def _counts(rows: list[_Row]) -> bool:
    """Whether the first column goes up by the number of values, but for rows that are missing."""
    for base in (16, 10):
        try:
            at = [int(row.address.rstrip("hH"), base) for row in rows]
        except ValueError:
            continue
        steps = Counter(b - a == len(row.values)
                        for (a, b), row in zip(pairwise(at), rows, strict=False))
        if steps[True] > 3 * steps[False] and all(b > a for a, b in pairwise(at)):
            return True
    return False
