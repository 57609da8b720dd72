"""Dumps whose bytes are decimal, octal or binary numbers, put into hexadecimal.

    0000016  80  83  76 213   ->   0000016  50 53 4c d5

Whatever has letters among its digits is hexadecimal and stays as it is. Of the rest, the digits,
their padding, the ASCII column and the steps of the addresses tell; what can be both is refused.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import NamedTuple

from paramstore.files.runs import RecognisesBytes
from paramstore.files.text_lines import Line, ascii_fits, starts

__all__ = ["InDoubt", "in_hex", "is_numbers"]

_HEAD = re.compile(r"((?:0[xX])?[0-9A-Fa-f]{1,16}[hH]?)(?:[ \t]*<[^<>]{1,60}>)?"
                   r"([ \t]*(?:[:|=>]+|-(?=[ \t])))?[ \t]+")
_VALUE = re.compile(r"(-?[0-9]{1,20})(?![0-9A-Za-z_.:])([ \t]*(?:[,;]|\|(?=[ \t]))?[ \t]*)")
_APART = re.compile(r"[ \t]{2}|\t|[ \t]?[|>'\[]")
"""What stands before an ASCII column."""
_FRAMES = ("||", "''", "><", "[]")
_LONG_ADDRESS = 4
"""Digits of a number that is no byte."""
_ENOUGH = 3
"""Steps of a column that are no chance."""


class InDoubt(NamedTuple):
    """Why nothing tells what numbers mean: the line, what is in doubt, and what would tell."""

    number: int
    message: str
    help: str


class _Row(NamedTuple):
    """A line of numbers: `address` as it stands, else ""; `values` with the place of each end."""

    number: int
    start: int
    address: str
    signed: bool  # a sign stands behind the address
    values: tuple[str, ...]
    first: int  # where the first value begins
    ends: tuple[int, ...]
    tail: str = ""


class _Notation(NamedTuple):
    """How a byte is written: `fits` says whether a value may be one."""

    name: str
    base: int
    fits: Callable[[str], bool]


_HEX = _Notation("hexadecimal", 16, lambda v: len(v) <= 2 and v[0] != "-")
_DECIMAL = _Notation("decimal", 10, lambda v: len(v) <= 4 and -128 <= int(v) <= 255)
_OCTAL = _Notation("octal", 8, lambda v: len(v) <= 4 and set(v) <= set("01234567")
                   and int(v, 8) <= 0xFF)
_BINARY = _Notation("binary", 2, lambda v: len(v) == 8 and set(v) <= set("01"))


def is_numbers(text: str) -> bool:
    """Return whether a line may hold bytes as numbers without letters."""
    row = _row(0, text)
    return row is not None and (len(row.values) > 1 or bool(row.address))


def in_hex(texts: Sequence[tuple[int, str]], read: Sequence[Line | None],
           recognises: RecognisesBytes) -> tuple[dict[int, str], str] | InDoubt:
    """Return the lines of numbers in hexadecimal, by their line numbers, and the name of the
    notation they had; no lines and "" if they are hexadecimal as they stand. `read` are the lines
    read as hexadecimal ones."""
    lettered = [line for line in read if line is not None and _is_hex(line)]
    if len(lettered) * 2 > len(texts):
        return {}, ""
    hexed = {line.number for line in lettered}
    found = [row for n, text in texts if n not in hexed and (row := _row(n, text)) is not None]
    rows = _without_columns([r for r in found if len(r.values) > 1 or r.address])
    if not rows or any(_is_like(line, rows) for line in lettered):
        return {}, ""
    counted = _with_counted(rows)
    if isinstance(counted, InDoubt):
        return counted
    rows = counted
    notation = _notation(rows, recognises)
    if not isinstance(notation, _Notation):
        return notation or ({}, "")
    lines = dict(texts)
    return ({r.number: _rewritten(r, lines[r.number], notation) for r in rows},
            "" if notation is _HEX else notation.name)


# ---- Lines --------------------------------------------------------------------------------------


def _row(number: int, text: str) -> _Row | None:
    """Return the line of numbers that `text` holds, with or without something in front of it."""
    for start in starts(text):
        head = _HEAD.match(text, start)
        if head is not None and (head[2] or _long(head[1])):
            row = _values(_Row(number, start, head[1], bool(head[2]), (), 0, ()), text, head.end())
            if row is not None:
                return row
        row = _values(_Row(number, start, "", False, (), 0, ()), text, start)
        if row is not None:
            return row
    return None


def _long(address: str) -> bool:
    return len(address) >= _LONG_ADDRESS or address[:2] in ("0x", "0X") or address[-1] in "hH"


def _values(row: _Row, text: str, at: int) -> _Row | None:
    values, ends, first = [], [], at
    while (value := _VALUE.match(text, at)) is not None:
        values.append(value[1])
        ends.append(value.end(1))
        at = value.end()
        if not value[2]:
            break
    if len(values) > 1 and text[ends[-1]:].strip() and not _APART.match(text, ends[-1]):
        values.pop()  # an ASCII column begins with digits
        ends.pop()
    if not values:
        return None
    tail = text[ends[-1]:].strip(" \t,;")
    if tail and (len(tail) > len(values) + 4 or not _APART.match(text, ends[-1])):
        return None
    return row._replace(values=tuple(values), first=first, ends=tuple(ends), tail=tail)


def _without_columns(rows: list[_Row]) -> list[_Row]:
    """Leave out the digits with which an ASCII column may begin, and rows of other lengths."""
    if not rows:
        return []
    count = Counter(len(r.values) for r in rows).most_common(1)[0][0]
    return [r._replace(values=r.values[:count], ends=r.ends[:count]) if len(r.values) > count
            and r.address else r for r in rows]


def _is_hex(line: Line) -> bool:
    """Whether a line is one of bytes or words in hexadecimal, by letters among its digits, or an
    ASCII column that shows them."""
    if len(line.values) < 2 and not line.address:
        return False
    shown = line.text is not None and any(map(str.isalnum, line.text)) and (
        line.width == 1) and ascii_fits(line.data, line.text)
    return shown or any(v is not None and not v.isdigit() for v in line.values)


def _is_like(line: Line, rows: Sequence[_Row]) -> bool:
    """Whether a line is one of a dump: as long as the others, or the last one."""
    return line.number > rows[-1].number or len(line.values) == Counter(
        len(r.values) for r in rows).most_common(1)[0][0]


def _with_counted(rows: list[_Row]) -> list[_Row] | InDoubt:
    """Take the first numbers for addresses where they go up as the rest of the lines is long."""
    if any(r.address or len(r.values) < 2 for r in rows) or len(rows) < 2:
        return rows
    for base in (10, 16, 8):
        try:
            firsts = [int(r.values[0], base) for r in rows]
        except ValueError:
            continue
        steps = [b - a == len(r.values) - 1 for (a, b), r in zip(pairwise(firsts), rows,
                                                                 strict=False)]
        if all(steps) and len(steps) < _ENOUGH:
            return InDoubt(rows[0].number, "the first number of a line may be an address or data",
                         "put a colon behind the addresses, or take them away")
        if all(steps):
            return [r._replace(address=r.values[0], values=r.values[1:], ends=r.ends[1:],
                               first=r.ends[0]) for r in rows]
    return rows


# ---- What they mean -----------------------------------------------------------------------------


def _notation(rows: Sequence[_Row], recognises: RecognisesBytes) -> _Notation | InDoubt | None:
    """Return the notation of all numbers; None if they are hexadecimal."""
    numbers = [v for r in rows for v in r.values]
    sizes = {len(v) for v in numbers}
    if sizes == {8} and all(map(_BINARY.fits, numbers)):
        return _binary(rows)
    if len(sizes) == 1 and sizes <= {4, 8, 16} and not _c_octal(rows, numbers):
        return None
    likely = _likely(numbers, sizes, rows)
    if not likely:
        return _no_bytes(rows, numbers) if max(sizes) > 2 else None
    return _the_one_that_holds(rows, likely, recognises)


def _likely(numbers: Sequence[str], sizes: set[int], rows: Sequence[_Row]) -> list[_Notation]:
    """Return the notations of which the numbers are, by their digits and their padding."""
    if sizes not in ({1}, {2}, {3}) and all(v[0] == "0" for v in numbers):  # as C writes it
        return [_OCTAL] if all(map(_OCTAL.fits, numbers)) else []
    possible = [n for n in (_DECIMAL, _OCTAL, _HEX) if all(map(n.fits, numbers))]
    if _OCTAL in possible and sizes != {3}:
        possible.remove(_OCTAL)  # programs write three digits of it
    if sizes == {3} or max(sizes) > 2:
        return [n for n in possible if n is not _HEX]
    if sizes == {1, 2} and (_in_fields_of(4, rows) or _in_fields_of(5, rows)):
        return [n for n in possible if n is _DECIMAL]  # of three digits, filled with blanks
    return possible


def _the_one_that_holds(rows: Sequence[_Row], likely: list[_Notation],
                        recognises: RecognisesBytes) -> _Notation | InDoubt | None:
    """Return the one of some notations that holds, or why nothing tells."""
    contents = {n: bytes(b for r in rows for b in _bytes(r, n)) for n in likely}
    if len(set(contents.values())) == 1:
        likely = likely[-1:]
    shown = [n for n in likely if all(_fits_tail(r, n) for r in rows)]
    if shown and any(r.tail for r in rows):
        likely = shown
    recognised = [n for n in likely if recognises(contents[n])]
    if len(recognised) == 1:
        likely = recognised
    if len(likely) > 1 and _HEX in likely and _pairs(rows) and (
            all(r.tail for r in rows) or _hex_addresses(rows)):
        likely = [_HEX]
    if len(likely) > 1:
        odd = next(r for r in rows if len({_bytes(r, n) for n in likely}) > 1)
        names = " or ".join(n.name for n in likely)
        return InDoubt(odd.number, f"the numbers may be {names}",
                     "let the program write an ASCII column beside them; or write `0x` before each "
                     "hexadecimal number")
    return likely[0]


def _pairs(rows: Sequence[_Row]) -> bool:
    """Whether all numbers have two digits, and no more than a blank or two between them."""
    return all(len(v) == 2 for r in rows for v in r.values) and all(
        b - a == 3 for r in rows for a, b in list(pairwise(r.ends))[:7])


def _bytes(row: _Row, notation: _Notation) -> bytes:
    return bytes(int(v, notation.base) & 0xFF for v in row.values)


def _fits_tail(row: _Row, notation: _Notation) -> bool:
    text = row.tail
    if len(text) > 1 and text[0] + text[-1] in _FRAMES:
        text = text[1:-1]
    return not text or ascii_fits(_bytes(row, notation), text)


def _hex_addresses(rows: Sequence[_Row]) -> bool:
    """Whether the addresses are hexadecimal and nothing else, and so are numbers of two digits
    beside them, then."""
    marked = [r.address for r in rows if r.address]
    plain = [a.rstrip("hH").lower().removeprefix("0x") for a in marked]
    if any(not a.isdigit() for a in plain):
        return True
    return any(int(b, 16) - int(a, 16) == len(r.values) != int(b) - int(a)
               for (a, b), r in zip(pairwise(plain), rows, strict=False))


def _in_fields_of(width: int, rows: Iterable[_Row]) -> bool:
    """Whether all numbers end `width` columns apart, as those filled with blanks do."""
    rows = [r for r in rows if len(r.ends) > 1]
    return bool(rows) and all(b - a == width for r in rows for a, b in pairwise(r.ends))


def _c_octal(rows: Sequence[_Row], numbers: Sequence[str]) -> bool:
    """Whether numbers of four digits are octal ones of C: the addresses go up by one for each."""
    return all(map(_OCTAL.fits, numbers)) and len(rows) > 1 and _steps(rows) == 1


def _binary(rows: Sequence[_Row]) -> _Notation | InDoubt | None:
    """Numbers of eight digits 0 and 1: bytes in binary, or words in hexadecimal."""
    size = _steps(rows)
    if size == 1 or (size == 0 and len({v for r in rows for v in r.values}) > _ENOUGH):
        return _BINARY
    if size == 4:
        return None
    return InDoubt(rows[0].number, "the numbers may be binary bytes or hexadecimal words",
                 "give more lines, or let the program write bytes in hexadecimal")


def _steps(rows: Sequence[_Row]) -> int:
    """Return by how much addresses go up for each number, in the base in which all do alike; 0 if
    nothing tells."""
    marked = [r for r in rows if r.address]
    for base in (16, 10, 8):
        try:
            at = [int(r.address.rstrip("hH"), base) for r in marked]
        except ValueError:
            continue
        steps = {divmod(b - a, len(r.values)) for (a, b), r in zip(pairwise(at), marked,
                                                                   strict=False)}
        if len(steps) == 1 and (step := next(iter(steps)))[1] == 0:
            return step[0]
    return 0


def _no_bytes(rows: Sequence[_Row], numbers: Sequence[str]) -> InDoubt:
    octal = all(len(v) == 6 and set(v) <= set("01234567") for v in numbers)
    what = "octal words" if octal else "decimal numbers larger than a byte"
    return InDoubt(rows[0].number, f"the lines hold {what}",
                 "let the program write bytes in hexadecimal: `od -A x -t x1`")


def _rewritten(row: _Row, text: str, notation: _Notation) -> str:
    """Return a line with its bytes in hexadecimal, all else as it is."""
    shown = _bytes(row, notation).hex(" ")
    if not row.address:
        return f"{text[:row.start]}{shown}{text[row.ends[-1]:]}"
    sign = "" if row.signed or _long(row.address) else ":"
    return f"{text[:row.first]}{sign} {shown}{text[row.ends[-1]:]}"
