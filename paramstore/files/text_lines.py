"""One line of a hex dump as people paste it: is it one, and what are its parts.

    12:01:07 -> 00000010: 5053 4cd5 0134 0000  PSL..4..
    prefix      address   data                 ASCII column

A line that a console has written into loses its shape, not its numbers: it is an `Other` then.
Says only what a line could be; which reading holds for a whole text is `text_dump`'s to tell. The
work on a line is bounded by its length: nothing here backtracks.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from paramstore.files.runs import swapped

__all__ = ["Line", "Mark", "Other", "Shape", "ascii_fits", "mark_in", "numbers_in",
           "other", "read_line", "starts", "without_escapes"]

_ESCAPE = re.compile(r"\x1b\[[0-9;?]{0,20}[@-~]")
_ADDRESS = re.compile(
    r"\[?(0[xX])?([0-9A-Fa-f]{1,16})([hH]?)(?:[ \t]<[^<>]{1,60}>)?"
    r"([ \t]*(?:\]?[:|=>]+|\]|-(?=[ \t]))|)[ \t]+")
_SEGMENT = re.compile(r"[0-9A-Fa-f]{4}:(?=[0-9A-Fa-f]{4}[ \t])")
_TIGHT = re.compile(r"(0[xX])?([0-9A-Fa-f]{4,8})([hH]?)([:=|])"
                    r"(?=[0-9A-Fa-f]{2}[ \t]|0[xX][0-9A-Fa-f]|(?:[0-9A-Fa-f]{2}){3})")
_TOKEN = re.compile(r"(?:0[xX])?([0-9A-Fa-f]++|[xX]{2}|\?{2}(?!\?)|-{2}(?!-))(?![0-9A-Za-z_])"
                    r"([ \t]*(?:[,:|]|-(?!-))?[ \t]*)")
"""A value and the gap behind it."""
_PAIR = re.compile(r"[0-9A-Fa-f]{2}")
_PAIRS = re.compile(r"(?:[0-9A-Fa-f]{2} {1,2}(?=[0-9A-Fa-f]{2}(?![0-9A-Za-z_])))+")
"""Bytes before the last one of a row with nothing but blanks between them, as most dumps have."""
_WIDE_GAP = re.compile(r"[ \t]{2}|\t|[ \t]?\|")
_VARYING = re.compile(r"[\s\d]+")
_STARTS = re.compile(r"[\s\]>:)|]+")
_AS_SHOWN = bytes(byte if 0x20 <= byte < 0x7F else ord(".") for byte in range(256))
"""How most dumps show a byte."""
_WORD_DIGITS = (4, 8, 16)
_VALUE_DIGITS = (2, *_WORD_DIGITS)
_UNREAD = "xX?-"
_MOST_VALUES = 64
"""Values of a line behind which an ASCII column is looked for."""
_MOST_BLANKS = 128
"""Blanks between the data of a short line and its ASCII column."""
_MOST_STARTS = 16
"""Places in a line at which a dump may begin behind what a console writes before it."""


Shape = tuple[str, str, int]
"""What lines of one dump have in common: what stands before them (digits and blanks as 0), the
sign behind the address ("@": none, "": no address), the hex digits of a value (0: a run of any
length)."""


class Line(NamedTuple):
    """A line that may be one of a dump.

    `address` is the text of an address that shows by its own form that it is one ("h" before it:
    marked as hexadecimal), else "". `values` are the data, `digits` hex digits each (2 for bytes,
    also where one was written), None where a value could not be read. `text` is the ASCII column,
    None if there is none. `column` is where the dump begins, from 1.
    """

    number: int
    column: int
    shape: Shape
    address: str
    values: tuple[str | None, ...]
    digits: int
    text: str | None = None

    @property
    def width(self) -> int:
        """Bytes of one value; of a run of digits without blanks, 1."""
        return self.digits // 2 if self.digits in _WORD_DIGITS else 1

    @property
    def size(self) -> int:
        """Bytes of the whole line."""
        return len(self.values) * self.digits // 2

    @property
    def data(self) -> bytes:
        """The bytes, high byte of a word first; FF where a value could not be read."""
        unread = "F" * self.digits
        return bytes.fromhex("".join([v or unread for v in self.values]))


def without_escapes(line: str) -> str:
    """Return a line without the colours and cursor moves of a terminal, with plain blanks."""
    line = line.replace("\xa0", " ")  # as pages and mails have them
    return _ESCAPE.sub("", line).rstrip() if "\x1b" in line else line.rstrip()


def _behind_prefix(row: str, prefix: str) -> int:
    """Return where a line goes on behind the prefix of a dump; 0 if it does not begin with it."""
    if not prefix:
        return 0
    for match in _STARTS.finditer(row):
        if _VARYING.sub("0", row[:match.end()]) == prefix:
            return match.end()
    return 0


def read_line(number: int, text: str) -> Line | None:
    """Return the dump line that `text` holds, with or without something in front of it."""
    for start in starts(text):
        found = _from(number, text, start)
        if found is not None:
            return found
    return None


def ascii_fits(data: bytes, text: str) -> bool:
    """Whether an ASCII column shows `data`: each printable byte as itself, others as anything.

    Blanks at the end may be lost, and one blank may stand in the middle.
    """
    if text.isascii() and text.encode() == data.translate(_AS_SHOWN):
        return True
    if len(text) == len(data) + 1 and text[len(data) // 2] == " ":
        text = text[:len(data) // 2] + text[len(data) // 2 + 1:]
    if len(text) > len(data):
        return False
    shown = text.ljust(len(data))
    return all(
        chr(byte) == c if 0x20 <= byte < 0x7F else not c.isalnum() or not c.isascii()
        for byte, c in zip(data, shown, strict=True)
    )


def starts(text: str) -> Iterator[int]:
    """Yield where the dump may begin in a line, behind what a console writes before it."""
    yield len(text) - len(text.lstrip())
    for count, match in enumerate(_STARTS.finditer(text)):
        if count == _MOST_STARTS:
            return
        if match[0].strip() or match.start():
            yield match.end()


def _from(number: int, text: str, start: int) -> Line | None:
    """Read a line whose dump begins at `start`, with an address if that is possible."""
    prefix = _VARYING.sub("0", text[:start]) if text[:start].strip() else ""
    segment = _SEGMENT.match(text, start)
    address = _ADDRESS.match(text, segment.end() if segment else start) or _TIGHT.match(text, start)
    if address is not None and _is_address(text, address):
        mark = "h" if address[1] or address[3] else ""
        line = _data(_Place(number, start + 1, (prefix, address[4].strip() or mark or "@"),
                            mark + address[2]), text, address.end())
        if line is not None:
            return line
    line = _data(_Place(number, start + 1, (prefix, ""), ""), text, start)
    enough = line is not None and (len(line.values) > 1 or line.digits >= 4)
    return line if enough else None


def _is_address(text: str, address: re.Match[str]) -> bool:
    """Whether a number in front is an address by its look: a sign behind it, or another width."""
    if address[4].strip() or address[3]:
        return True
    first = _TOKEN.match(text, address.end())
    if first is None or len(address[2]) < 3:
        return False
    return len(address[2]) != len(first[1]) and len(first[1]) != 1


class _Place(NamedTuple):
    """What comes before the data of a line, as in `Line`."""

    number: int
    column: int
    look: tuple[str, str]
    address: str

    def line(self, values: list[tuple[str | None, int]], digits: int,
             text: str | None = None) -> Line:
        """Return the line with these data behind it."""
        shape = (*self.look, digits if digits in _VALUE_DIGITS else 0)
        return Line(self.number, self.column, shape, self.address, tuple([v for v, _ in values]),
                    digits, text)


def _data(place: _Place, text: str, at: int) -> Line | None:
    """Read values from `at` on, all of one width, and what follows them as ASCII column."""
    values: list[tuple[str | None, int]] = []  # value, where it ends
    digits = 0
    if (pairs := _PAIRS.match(text, at)) is not None:
        values += [(pair[0], pair.end()) for pair in _PAIR.finditer(text, at, pairs.end())]
        digits, at = 2, pairs.end()
    while (token := _TOKEN.match(text, at)) is not None:
        value = None if token[1][0] in _UNREAD else token[1].rjust(2, "0")
        if value is not None:
            if (digits and len(value) != digits) or len(value) % 2:
                break
            digits = len(value)
        values.append((value, token.end(1)))
        at = token.end()
        if not token[2]:
            break
    if not digits or (digits not in _VALUE_DIGITS and len(values) > 1):
        return None
    return _split(place, text, values, digits)


def _split(place: _Place, text: str, values: list[tuple[str | None, int]],
           digits: int) -> Line | None:
    """Return the line with its values parted from its ASCII column, whose letters may look like
    values: the one that shows the bytes before it; else none, else one that stands apart."""
    plain = contradicted = None
    for count in _ends(text, values):
        rest = text[values[count - 1][1]:].rstrip()
        size = count * digits // 2
        if rest.strip(" \t|,;") == "":
            plain = plain or place.line(values[:count], digits)
        if len(rest) > size + _MOST_BLANKS:
            continue
        line = place.line(values[:count], digits)
        first = ""
        for column in _columns(rest):
            if 0 < len(column) <= size + 1:
                if _shows(line, column):
                    return line._replace(text=column)
                first = first or column
        if len(first) == size and _WIDE_GAP.match(rest):
            contradicted = contradicted or line._replace(text=first)
    return plain or contradicted


def _ends(text: str, values: list[tuple[str | None, int]]) -> Iterator[int]:
    """Yield how many values may be data: all, or those before a wide gap; the most first."""
    yield len(values)
    if len(values) > _MOST_VALUES:
        return
    for count in range(len(values) - 1, 0, -1):
        if _WIDE_GAP.match(text, values[count - 1][1]):
            yield count


def _columns(rest: str) -> Iterator[str]:
    """Yield what the ASCII column behind the data may be: framed, or behind some blanks, of which
    the last ones may be its own."""
    stripped = rest.strip()
    for left, right in ("||", "''", "><", "[]"):
        if len(stripped) > 2 and stripped[0] == left and stripped[-1] == right:
            yield stripped[1:-1]
    if stripped.startswith("|"):
        yield stripped[1:]
        yield stripped[1:].removeprefix(" ")
        yield stripped[1:].lstrip()
    yield stripped
    blanks = len(rest) - len(rest.lstrip())
    yield from (rest[lead:] for lead in range(1, min(blanks, _MOST_BLANKS)))


def _shows(line: Line, column: str) -> bool:
    orders = (line.data, swapped(line.data, line.width)) if line.width > 1 else (line.data,)
    return any(ascii_fits(data, column) for data in orders)


_NUMBER = re.compile(r"(?<![\w.])(?:0[xX])?([0-9A-Fa-f]{2,})(?![\w.])")
_ANY_NUMBER = re.compile(r"(?<![\w.])-?(?:0[xX])?[0-9A-Fa-f]{1,16}[hH]?(?![\w.])")
_HEADING = re.compile(r"\W*(?:[A-Za-z]{3,}\W+)?0?0\W+0?1\W+0?2\W+0?3\b")


class Mark(NamedTuple):
    """A star (the line before is repeated), or an address alone (the dump ends there)."""

    number: int
    address: str = ""


class Other(NamedTuple):
    """A line that may hold bytes of the dump, though it is no line of it."""

    number: int


def other(number: int, row: str, prefix: str) -> Other | None:
    """Return the line if there is a number in it that may be a byte or more; `prefix` is what
    stands before the lines of the dump."""
    if _HEADING.match(row):
        return None
    return Other(number) if _NUMBER.search(row, _behind_prefix(row, prefix)) else None


def numbers_in(row: str) -> int:
    """Return how many numbers stand in a line, in any base; 0 if it only numbers columns."""
    return 0 if _HEADING.match(row) else len(_ANY_NUMBER.findall(row))


def mark_in(number: int, row: str, shape: Shape) -> Mark | None:
    """Return the mark that a line is, in a dump whose lines have a shape; None if it is none."""
    at = _behind_prefix(row, shape[0])
    last = row[at:].strip() if at or not shape[0] else ""
    if last == "*":
        return Mark(number)
    alone = re.fullmatch(r"(0[xX])?([0-9A-Fa-f]{2,16})[hH]?:?", last)
    if alone and shape[1]:
        return Mark(number, ("h" if alone[1] else "") + alone[2])
    return None
