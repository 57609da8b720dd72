"""How the addresses of a hex dump are written: in which base, and how many bytes one step is."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from paramstore.files.text_lines import Line

__all__ = ["End", "Numbering", "addresses_in", "could_be_addresses", "numberings", "step"]

_BASES = {16: "hexadecimal", 8: "octal", 10: "decimal"}


class Numbering(NamedTuple):
    """How addresses are written: in which base, and how many bytes one step of them is."""

    base: int
    step: int = 1

    def address(self, text: str) -> int:
        """Return an address in bytes; ValueError if it is not of this base."""
        return int(text.lstrip("h"), self.base) * self.step

    @property
    def words(self) -> str:
        """The numbering for people."""
        unit = "" if self.step == 1 else f", counting {8 * self.step}-bit words"
        return f"{_BASES[self.base]} addresses{unit}"


Score = tuple[int, int, int, int]


class End(NamedTuple):
    """An address alone in a line: where the dump ends, behind `line` or, with a `star` between
    them, behind that line again and again."""

    line: Line
    address: str
    star: bool


def numberings(lines: Sequence[Line], ends: Sequence[End]) -> dict[Numbering, Score]:
    """Return the numberings that all addresses are of; of each, how many steps from line to line
    are too short (negative), and how many just right, and the same of steps to an end."""
    scores = {}
    for base in (16,) if lines[0].address.startswith("h") else _BASES:
        for size in sorted({1, lines[0].width}):
            score = _score(lines, ends, Numbering(base, size))
            if score is not None:
                scores[Numbering(base, size)] = score
    return scores


def _score(lines: Sequence[Line], ends: Sequence[End],
           numbering: Numbering) -> Score | None:
    at = addresses_in(numbering, [line.address for line in lines])
    if at is None:
        return None
    steps = [(b - a) - line.size for (a, b), line in zip(pairwise(at), lines, strict=False)]
    last = []
    for end in ends:
        left = step(end.line, end.address, numbering) - end.line.size
        # A star stands for whole lines.
        last.append(0 if end.star and left > 0 and left % end.line.size == 0 else left)
    return (-sum(s < 0 for s in steps), sum(s == 0 for s in steps),
            -sum(s < 0 for s in last), sum(s == 0 for s in last))


def addresses_in(numbering: Numbering, texts: Sequence[str]) -> list[int] | None:
    """Return addresses in a numbering; None if one is not of its base."""
    try:
        return [numbering.address(text) for text in texts]
    except ValueError:
        return None


def step(line: Line, after: str, numbering: Numbering) -> int:
    """Return how many bytes an address lies behind that of a line; 0 if one is not of the base."""
    try:
        return numbering.address(after) - numbering.address(line.address)
    except ValueError:
        return 0


def could_be_addresses(lines: Sequence[Line]) -> bool:
    """Whether the first value of each line might be an address without a sign of its own: it
    goes up as the rest of the line is long, or one line has a value too many."""
    if any(line.values[0] is None or len(line.values) < 2 for line in lines):
        return False
    if len(lines) == 1:
        return len(lines[0].values) in (9, 17, 33)
    numbers = [int(line.values[0] or "", 16) for line in lines]
    return all(
        b - a in (line.size - line.digits // 2, len(line.values) - 1)
        for (a, b), line in zip(pairwise(numbers), lines, strict=False)
    )
