"""Hex dumps as text: written in one shape, read in any shape that people paste.

A text is a dump if most of its dump lines have one shape. Other lines are passed over and
counted. What the text leaves open is settled by evidence in it, or refused with the candidates:
whether a first number is an address, in which base, and in which order words are written.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import NoReturn

from paramstore.core.errors import Finding, FindingsError, Severity, SourceText, Span
from paramstore.core.words import plural
from paramstore.files import encoded
from paramstore.files.addresses import (
    End,
    Numbering,
    addresses_in,
    could_be_addresses,
    numberings,
    step,
)
from paramstore.files.notation import InDoubt, in_hex, is_numbers
from paramstore.files.runs import (
    MAX_SPAN,
    Collector,
    Order,
    Reading,
    ReadOptions,
    Run,
    WriteOptions,
    recognised,
    swapped,
)
from paramstore.files.tables import as_dump
from paramstore.files.text_lines import (
    Line,
    Mark,
    Other,
    Shape,
    ascii_fits,
    mark_in,
    numbers_in,
    other,
    read_line,
    without_escapes,
)

__all__ = ["holds_dump_lines", "read", "write"]

_ROW = 16
_PROOF = 3
"""So many steps that fit are no chance: three bytes would do so once in 2^24 dumps."""
_LOST = 2
"""So many bytes more or less in a line were lost, or came in; a line of other ends is shorter."""
_MISTYPED = re.compile(r"(?<!\S)(?=[0-9A-Za-z]*[G-Zg-z])[0-9A-Za-z]{1,16}(?=[\s:|,]|$)")
_NO_DIGIT = re.compile(r"[G-Zg-z]")
_MANY = 4
"""Of how many lines one may be passed over that has numbers as they have."""
_MOST_MENDED = 400
"""Letters of a line in which a mistyped number is looked for."""
_BYTES_ENOUGH = 4
"""Fewer bytes than this in a text are words of a language, not a dump."""


def write(runs: Sequence[Run], options: WriteOptions) -> bytes:
    """Return lines of address, 16 bytes and an ASCII column; gaps are left out.

    `xxd -r` makes the bytes of it again.
    """
    digits = max(4, len(f"{max(r.end for r in runs) - 1:X}"))
    lines = []
    for run in runs:
        at = run.address
        while at < run.end:
            past = min((at // _ROW + 1) * _ROW, run.end)
            data = run.data[at - run.address:past - run.address]
            shown = "".join(chr(b) if 0x20 <= b < 0x7F else "." for b in data)
            lines.append(f"{at:0{digits}X}: {data.hex(' ').upper():{3 * _ROW - 1}}  |{shown}|")
            at = past
    return ("\n".join(lines) + "\n").encode("ascii")


def read(content: bytes, path: str, options: ReadOptions) -> Reading:
    """Return what a hex dump says; the order of words is that of `options`, or what the text tells.

    FindingsError: no dump (PS629), a doubtful one (PS630, PS631), an address twice (PS625).
    Warnings: other lines (PS633), an ASCII column that contradicts (PS632).
    """
    source = SourceText(path, content.decode("utf-8-sig", "replace"))
    if encoded.holds_encoded(source.text):
        return encoded.read(source)
    table = as_dump(source.text)
    if table is not None:
        source = SourceText(path, table)
    return _Reader(source, options).read()


def holds_dump_lines(text: str, most: int) -> bool:
    """Return whether one of the first `most` lines could be a line of a hex dump."""
    return any(
        read_line(n, row := without_escapes(line)) is not None or is_numbers(row)
        for n, line in enumerate(text.split("\n", most)[:most])
    )


_Item = Line | Mark | Other


class _Reader:
    def __init__(self, source: SourceText, options: ReadOptions) -> None:
        self._source = source
        self._rows = source.text.split("\n")
        self._found = Collector(source)
        self._options = options
        self._size = 0  # bytes of a whole line
        self._notation = ""  # of numbers that are not hexadecimal
        self._warnings: list[Finding] = []

    def read(self) -> Reading:
        items, passed = self._items()
        items = self._with_hidden_addresses(items)
        lines = [i for i in items if isinstance(i, Line)]
        self._size = Counter(line.size for line in lines).most_common(1)[0][0]
        numbering = self._numbering(lines, _ends(items)) if lines[0].address else None
        order = self._word_order(lines)
        self._check_lengths(lines, numbering)
        if numbering is None:
            self._join(items, order)
        elif not self._found.findings:
            self._place(items, numbering, order)
        self._check_columns(lines, order)
        if not self._notation:
            self._check_digits(lines, passed)
        self._check_passed(lines, passed)
        if passed:
            self._warn("PS633", f"{plural(len(passed), 'other line')} passed over", passed[0],
                       "the first one")
        holes = any(None in line.values for line in lines)
        return self._found.finish("text", _title(lines, numbering, order, self._notation),
                                  addressed=numbering is not None or holes,
                                  warnings=self._warnings, word_bytes=lines[0].width)

    # ---- Lines -------------------------------------------------------------------------------

    def _items(self) -> tuple[list[_Item], list[int]]:
        """Return the lines of the one shape that the dump has, and the numbers of others."""
        rows = [(n, row) for n, text in enumerate(self._rows, start=1)
                if (row := without_escapes(text))]
        rows, read = self._in_hex(rows, [read_line(n, row) for n, row in rows])
        shape = self._shape([line for line in read if line is not None and not _heading(line)])
        items: list[_Item] = []
        passed = []
        for (n, row), line in zip(rows, read, strict=True):
            if line is not None and _is_of(line, shape):
                items.append(line)
            elif items and (mark := mark_in(n, row, shape)) is not None:
                items.append(mark)
            else:
                passed.append(n)
                if items and (others := other(n, row, shape[0])) is not None:
                    items.append(others)
        return items, passed

    def _in_hex(self, rows: list[tuple[int, str]], read: list[Line | None]
                ) -> tuple[list[tuple[int, str]], list[Line | None]]:
        """Return lines of decimal, octal or binary numbers as hexadecimal ones."""
        found = in_hex(rows, read, self._options.recognises)
        if isinstance(found, InDoubt):
            self._stop("PS638", found.message, found.number, help=found.help)
        lines, self._notation = found
        if not lines:
            return rows, read
        rows = [(n, lines.get(n, row)) for n, row in rows]
        return rows, [read_line(n, row) for n, row in rows]

    def _shape(self, lines: Sequence[Line]) -> Shape:
        """Return the shape with most bytes; refuse a text in which another one comes near."""
        weights: Counter[Shape] = Counter()
        first: dict[Shape, Line] = {}
        for line in lines:
            weights[line.shape] += line.size
            first.setdefault(line.shape, line)
        if weights.total() < _BYTES_ENOUGH:
            self._stop("PS629", "the text holds no dump", 1,
                       help="a dump is lines of hex digits, with or without addresses")
        (shape, weight), *others = weights.most_common()
        for rarer, rival in others:
            if rival * 4 > weight and bool(rarer[1]) >= bool(shape[1]) and not _is_of(
                    first[rarer], shape):
                self._stop("PS631", "the text holds dump lines of two shapes",
                           first[shape].number, "one of them", "leave one dump in it",
                           (first[rarer].number, "and another"))
        return shape

    # ---- Addresses ---------------------------------------------------------------------------

    def _with_hidden_addresses(self, items: list[_Item]) -> list[_Item]:
        """Take the first values for addresses if they go up as the rest of the lines is long."""
        lines = [i for i in items if isinstance(i, Line)]
        if lines[0].address or not could_be_addresses(lines):
            return items
        if len(lines) <= _PROOF:
            self._stop("PS631", "the first number of a line may be an address or data",
                       lines[0].number,
                       help="put a colon behind the addresses, or take them away")
        return [
            item._replace(address=item.values[0] or "", values=item.values[1:])
            if isinstance(item, Line) else item
            for item in items
        ]

    def _numbering(self, lines: Sequence[Line], ends: Sequence[End]) -> Numbering:
        """Return the numbering in which addresses go up as the lines are long."""
        scores = numberings(lines, ends)
        best = max(scores, key=lambda n: scores[n])
        bad, good, *_ = scores[best]
        if -bad > good:
            self._stop("PS631", "the addresses do not go up as the lines are long",
                       lines[0].number, help="lines were lost, moved or cut: copy the dump again")
        marked = [*(i.address for i in lines), *(i.address for i in ends)]
        numbers = addresses_in(best, marked)
        rivals = [n for n in scores if scores[n] == scores[best]
                  and addresses_in(n, marked) not in (numbers, None)]
        if rivals:
            plain = Numbering(16)
            looks = lines[0].shape[1] != "@" or all(len(i.address) in (4, 8) for i in lines)
            if plain not in (best, *rivals) or not looks:
                self._stop(
                    "PS631", f"the dump may have {best.words}, or {rivals[0].words}",
                    lines[0].number, help="put `0x` before hexadecimal addresses, or give more "
                    "lines: addresses go up as the lines are long")
            return plain
        return best

    # ---- Bytes -------------------------------------------------------------------------------

    def _word_order(self, lines: Sequence[Line]) -> Order:
        """Return the order that was asked for, or that an ASCII column or known bytes prove."""
        width = lines[0].width
        if width == 1 or self._options.order:
            return self._options.order or Order.BIG
        orders = tuple(o for o in Order if all(
            line.text is None or ascii_fits(_bytes(line, o), line.text) for line in lines))
        if len(orders) == 2:
            orders = recognised(b"".join(line.data for line in lines), width, orders,
                                self._options.recognises)
        if len(orders) != 1:
            self._stop("PS630", f"the words have {width} bytes, and nothing tells which of them "
                       "comes first on the EEPROM", lines[0].number, help="give --input-words big "
                       "if the high byte comes first, --input-words little if the low byte does")
        return orders[0]

    def _join(self, items: Sequence[_Item], order: Order) -> None:
        """Take lines without addresses one after another."""
        at = 0
        for number, item in enumerate(items):
            if isinstance(item, Line):
                self._take(item, at, order)
                at += item.size
            elif isinstance(item, Other):
                if not all(isinstance(i, Other) for i in items[number:]):
                    self._found.fail(
                        "PS631", "this line may be one of the dump, and without addresses nothing "
                        "tells", self._span(item.number), help="read the part again, with "
                        "addresses; or take the line out if it is none of the dump")
            elif not item.address:
                self._found.fail(
                    "PS631", "a line is repeated, but no address says how often",
                    self._span(item.number), help="read the part again, with addresses or with "
                    "every line written out")

    def _place(self, items: Sequence[_Item], numbering: Numbering, order: Order) -> None:
        """Take lines to their addresses; fill up where one is repeated."""
        line: Line | None = None
        star = doubtful = False
        for item in items:
            if isinstance(item, Other):
                doubtful = True
                continue
            if not item.address:
                star = True
                continue
            try:
                at = numbering.address(item.address)
            except ValueError:
                self._found.fail("PS631", "this address is not of the base of the others",
                                 self._span(item.number))
                continue
            if star and line is not None and not doubtful:
                self._repeat(line, numbering.address(line.address), at, order)
            star = False
            if isinstance(item, Line):
                line, doubtful = item, False
                self._take(item, at, order)
        if star and line is not None:
            self._warn("PS634", "nothing says how often the last line is repeated", line.number,
                       "this line", help="what follows it is taken as not read")

    def _take(self, line: Line, at: int, order: Order) -> None:
        """Place the bytes of a line that could be read."""
        data, size, first = _bytes(line, order), line.digits // 2, 0
        for index, value in enumerate((*line.values, None)):
            if value is None:
                self._found.add_run(at + first * size, data[first * size:index * size],
                                    self._span(line.number))
                first = index + 1

    def _repeat(self, line: Line, at: int, until: int, order: Order) -> None:
        """Fill up to the next address; not with a line that is not whole, or where one was lost."""
        data, first = _bytes(line, order), at + line.size
        if until - first > MAX_SPAN:
            self._found.fail("PS626", f"the line is repeated up to 0x{until:X}: that is no dump "
                             "of one EEPROM", self._span(line.number))
        elif until > first and line.size == self._size and None not in line.values and (
                until - first) % line.size == 0:
            self._found.add_run(first, data * ((until - first) // line.size),
                                self._span(line.number))

    def _check_lengths(self, lines: Sequence[Line], numbering: Numbering | None) -> None:
        """Tell lines that are a byte or two too short or too long: nothing tells which of them were
        lost or came in, and without addresses all behind them would be moved. The first line may
        begin late, the last one end early."""
        size, count = Counter(line.size for line in lines).most_common(1)[0]
        odd = [(line, after) for line, after in pairwise(lines)
               if line is not lines[0] and 0 < abs(line.size - size) <= _LOST]
        if count < _PROOF or len(odd) * 4 > len(lines):
            return
        for line, after in odd:
            if numbering is None or (line.size > size and step(
                    line, after.address, numbering) == size):
                what = "which is missing" if line.size < size else "which came in"
                self._found.fail(
                    "PS631", f"the line has {plural(line.size, 'byte')}, the others have {size}, "
                    f"and nothing tells {what}", self._span(line.number), help="compare with "
                    "another reading; write `??` for a byte that is missing")
        short = [line for line, after in odd if numbering and line.size < size
                 and line.text is None and step(line, after.address, numbering) == size]
        if short:
            self._warn("PS635", f"{plural(len(short), 'line')} of fewer bytes than the others: "
                       "those missing are taken for the last ones", short[0].number,
                       "the first one", help="compare with another reading; write `??` where a "
                       "byte is missing")

    def _check_columns(self, lines: Sequence[Line], order: Order) -> None:
        wrong = [line for line in lines if line.text is not None and None not in line.values
                 and not ascii_fits(_bytes(line, order), line.text)]
        if wrong:
            self._warn("PS632", "the ASCII column does not show the bytes beside it in "
                       f"{plural(len(wrong), 'line')}", wrong[0].number, "the first one",
                       help="the bytes count; a digit was changed, or the column was edited")

    def _check_digits(self, lines: Sequence[Line], passed: Sequence[int]) -> None:
        """Refuse lines among those of the dump that would be like them but for one number."""
        shape, size = Counter((i.shape, len(i.values)) for i in lines).most_common(1)[0][0]
        for n in passed:
            row = without_escapes(self._rows[n - 1])
            if not lines[0].number < n < lines[-1].number or len(row) > _MOST_MENDED:
                continue
            for word in _MISTYPED.finditer(row):
                mended = row[:word.start()] + _NO_DIGIT.sub("0", word[0]) + row[word.end():]
                line = read_line(n, mended)
                if line is not None and (line.shape, len(line.values)) == (shape, size):
                    self._found.fail(
                        "PS631", f"`{word[0]}` is no hex number, in a line that is one of the dump "
                        "otherwise", Span(n, word.start() + 1, n, word.end() + 1),
                        help="compare with another reading; write `??` for a byte that cannot be "
                        "read")
                    break

    def _check_passed(self, lines: Sequence[Line], passed: Sequence[int]) -> None:
        """Refuse a text with many lines of as many numbers as those of the dump have."""
        least = max(2, Counter(len(line.values) for line in lines).most_common(1)[0][0] // 2)
        alike = [n for n in passed if numbers_in(without_escapes(self._rows[n - 1])) >= least]
        many = len(alike) > 1 or len(lines) <= len(alike)
        if many and len(alike) * _MANY >= len(lines) and not self._found.findings:
            self._found.fail(
                "PS637", f"{plural(len(alike), 'line')} of numbers cannot be read as lines of the "
                f"dump, beside {len(lines)} that can", self._span(alike[0]), "the first one",
                help="leave one dump in the text; let the program that wrote it write bytes in "
                "hexadecimal: `od -A x -t x1`")

    # ---- Words -------------------------------------------------------------------------------

    def _stop(self, code: str, message: str, number: int, label: str = "", help: str = "",
              also: tuple[int, str] | None = None) -> NoReturn:
        raise FindingsError([Finding(
            code, message, self._source, self._span(number), label, help=help,
            also=((self._span(also[0]), also[1]),) if also else ())])

    def _warn(self, code: str, message: str, number: int, label: str, help: str = "") -> None:
        self._warnings.append(Finding(code, message, self._source, self._span(number), label,
                                      help=help, severity=Severity.WARNING))

    def _span(self, number: int) -> Span:
        return Span(number, 1, number, len(self._rows[number - 1]) + 1)


def _bytes(line: Line, order: Order) -> bytes:
    """Return the bytes of a line in the order in which they lie on the EEPROM."""
    return swapped(line.data, line.width) if order is Order.LITTLE else line.data


def _is_of(line: Line, shape: Shape) -> bool:
    """Whether a line is of a shape; the last one of a run of digits may be short."""
    return line.shape == shape or (
        shape[2] == 0 and line.shape[:2] == shape[:2] and len(line.values) == 1)


def _heading(line: Line) -> bool:
    """Whether a line only numbers the columns."""
    numbers = [int(v, 16) if v else -1 for v in line.values]
    return not line.address and len(numbers) in (8, 16, 32) and (
        numbers == list(range(len(numbers))))


def _ends(items: Sequence[_Item]) -> list[End]:
    """Return the addresses alone, with the lines before them."""
    ends, line, star = [], None, False
    for item in items:
        if isinstance(item, Line):
            line, star = item, False
        elif isinstance(item, Mark) and not item.address:
            star = True
        elif isinstance(item, Mark) and line is not None:
            ends.append(End(line, item.address, star))
    return ends


def _title(lines: Sequence[Line], numbering: Numbering | None, order: Order,
           notation: str) -> str:
    size = Counter(line.size for line in lines).most_common(1)[0][0]
    parts = [f"{notation or 'hex'} dump text, {plural(size, 'byte')} a line",
             numbering.words if numbering else "no addresses"]
    if lines[0].width > 1:
        parts.append(f"{8 * lines[0].width}-bit words, {order.words}")
    return ", ".join(parts)
