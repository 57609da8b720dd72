"""Lines among those of a dump that are none of its lines: may they hold bytes of it all the same?

A line that a console has written into loses its shape, not its numbers.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from paramstore.files.text_lines import behind_prefix

__all__ = ["Other", "numbers_in", "other"]

_NUMBER = re.compile(r"(?<![\w.])(?:0[xX])?([0-9A-Fa-f]{2,})(?![\w.])")
_ANY_NUMBER = re.compile(r"(?<![\w.])-?(?:0[xX])?[0-9A-Fa-f]{1,16}[hH]?(?![\w.])")
_HEADING = re.compile(r"\W*(?:[A-Za-z]{3,}\W+)?0?0\W+0?1\W+0?2\W+0?3\b")


class Other(NamedTuple):
    """A line that may hold bytes of the dump, though it is no line of it."""

    number: int


def other(number: int, row: str, prefix: str) -> Other | None:
    """Return the line if there is a number in it that may be a byte or more; `prefix` is what
    stands before the lines of the dump."""
    if _HEADING.match(row):
        return None
    return Other(number) if _NUMBER.search(row, behind_prefix(row, prefix)) else None


def numbers_in(row: str) -> int:
    """Return how many numbers stand in a line, in any base; 0 if it only numbers columns."""
    return 0 if _HEADING.match(row) else len(_ANY_NUMBER.findall(row))
