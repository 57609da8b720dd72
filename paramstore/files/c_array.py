"""An array in C source, and the lists of numbers that people paste in its place.

Reads the one initialiser in a text: numbers in any base of C, character constants, nothing that
would need a preprocessor. Without braces or brackets the whole text is the list.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from paramstore.core.errors import Finding, Severity, SourceText, Span, ToolError
from paramstore.core.words import plural
from paramstore.files import binary, literals
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
from paramstore.files.tables import counting_row

__all__ = ["read", "write"]

_ROW = 16
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_COMMENT = re.compile(r"//[^\n]*|/\*.*?(?:\*/|\Z)", re.DOTALL)
_NUMBER = re.compile(
    r"(0[xX][0-9A-Fa-f]{1,32}|0[bB][01]{1,64}|[0-9][0-9A-Fa-f]{0,8}[hH]|\$[0-9A-Fa-f]{1,8}"
    r"|&[hH][0-9A-Fa-f]{1,8}|-?[0-9]{1,24})(?:[uUlL]{0,3}|[uUiI](?:8|16|32|64))(?!\w)"
    r"|'(\\x[0-9A-Fa-f]{1,2}|\\[0-7]{1,3}|\\?[ -~])'")
_CAST = re.compile(r"\(\s*(?:const\s+)?(?:unsigned\s+|signed\s+)?"
                   r"(?:(?:std::)?u?int8_t|char|byte|u8|i8|BYTE|Byte|uchar)\s*\)(?=\s*[-'0-9(])")
_DIRECTIVE = re.compile(r"^[ \t]*(?:\w{1,40}+:[ \t]*)?(?:\.byte|\.db|db|defb|dc\.b|fcb|\.uint8)\b",
                        re.MULTILINE | re.IGNORECASE)
_QUOTED = re.compile(r"(['\"])(0[xX][0-9A-Fa-f]{1,16})\1")
_TUPLE = re.compile(r"\([^{}\[\]()]*\)")
_BLANK = re.compile(r"[\s,]*")
_WORD = re.compile(r"[^\s,]*")
_LIST = re.compile(r"[{\[][^{}\[\]]*[}\]]")
_LENGTH = re.compile(r"\[\s*(0[xX][0-9A-Fa-f]{1,8}|[0-9]{1,9})\s*\]\s*[^=\]]{0,80}=?\s*\Z")
_TYPE = re.compile(r"\bu?int(8|16|32|64)(?:_t)?\b|\bu(8|16|32|64)\b|\b(char|byte)\b",
                   re.IGNORECASE)
_ESCAPES = {"n": 10, "r": 13, "t": 9, "\\": 92, "'": 39, '"': 34}


def write(runs: Sequence[Run], options: WriteOptions) -> bytes:
    """Return a C array of the bytes from address 0 to the last one; gaps are filled.

    ToolError if the array's name is none in C.
    """
    if not _NAME.fullmatch(options.name):
        raise ToolError(f"`{options.name}` is not a name in C", "use letters, digits and `_`")
    data = binary.write(runs, options)
    digits = max(4, len(f"{len(data) - 1:X}"))
    lines = [
        f"    {' '.join(f'0x{b:02X},' for b in data[at:at + _ROW])}  /* {at:0{digits}X} */"
        for at in range(0, len(data), _ROW)
    ]
    text = (f"#include <stdint.h>\n\nconst uint8_t {options.name}[{len(data)}] = {{\n"
            + "\n".join(lines) + "\n};\n")
    return text.encode("ascii")


def read(content: bytes, path: str, options: ReadOptions) -> Reading:
    """Return the bytes of the one array in a text.

    FindingsError: no array or several (PS629), what is no number or does not fit (PS621), words
    whose byte order nothing tells (PS630).
    """
    source = SourceText(path, content.decode("utf-8-sig", "replace"))
    return literals.read(source) if literals.holds_strings(source.text) else _Reader(
        source, options).read()


@dataclass(frozen=True, slots=True)
class _Array:
    start: int  # of the list in the text
    end: int
    width: int  # bytes of an element, 0 if nothing says it
    length: int  # elements, 0 if nothing says it


class _Reader:
    def __init__(self, source: SourceText, options: ReadOptions) -> None:
        self._found = Collector(source)
        self._options = options
        # Comments become blanks, so that places stay what they are; so do casts and directives.
        self._text = source.text
        for passed in (_COMMENT, _CAST, _DIRECTIVE):
            self._text = passed.sub(lambda m: re.sub(r"[^\n]", " ", m[0]), self._text)
        self._text = _QUOTED.sub(r" \2 ", self._text)

    def read(self) -> Reading:
        if (counted := counting_row(self._text)) is not None:
            self._found.fail(
                "PS631", "the first number of each line counts up, but not by the number of values "
                "behind it", Span(counted, 1, counted, 2), help="leave the address and the bytes "
                "in the text, or the bytes alone")
        array = self._array()
        found = list(self._numbers(array)) if array else []
        if array is None or self._found.findings:
            return self._found.finish("c", "C array")
        width = array.width or 1
        self._check_bases(array, found)
        if self._found.findings:
            return self._found.finish("c", "C array")
        large = next((number for number in found if not _fits(_value(number), width)), None)
        if large is not None:
            self._found.fail(
                "PS621", f"`{large[0]}` does not fit in {plural(width, 'byte')}",
                self._span(*large.span()),
                help="correct the number" if array.width or large[0][0] == "-" else
                "declare the array with its type, as `uint16_t`")
            return self._found.finish("c", "C array")
        # C fills the elements that are not given with 0.
        lacking = max(array.length - len(found), 0)
        numbers = [v & (1 << 8 * width) - 1 for v in (*map(_value, found), *[0] * lacking)]
        data = b"".join(n.to_bytes(width, "big") for n in numbers)
        title = "C array"
        if width > 1:
            order = self._word_order(data, width, self._span(array.start, array.start + 1))
            if order is Order.LITTLE:
                data = swapped(data, width)
            title += f" of {8 * width}-bit words, {order.words if order else ''}"
        self._found.add_run(0, data)
        return self._found.finish("c", title, addressed=False, word_bytes=width,
                                  warnings=self._short(array, lacking))

    def _check_bases(self, array: _Array, found: Sequence[re.Match[str]]) -> None:
        """Refuse a list whose numbers may be octal, decimal or hexadecimal."""
        plain = [n for n in found if n[1] and n[1].isdigit()]
        zeros = [n for n in plain if len(n[1]) > 1 and n[1][0] == "0"]
        bare = array.end - array.start == len(self._text) and len(plain) == len(found)
        wrong = next((n for n in zeros if set(n[1]) & set("89")), None)
        if wrong is None and bare and zeros:
            wrong = next((n for n in plain if len(n[1]) > 1 and n[1].strip("0") and int(n[1]) > 7),
                         None)
        if wrong is None and bare and len(plain) > 3 and all(len(n[1]) == 2 for n in plain):
            wrong = plain[0]
        if wrong is not None:
            self._found.fail(
                "PS638", f"`{wrong[0]}` may be decimal, octal or hexadecimal",
                self._span(*wrong.span()), help="write `0x` before hexadecimal numbers, and "
                "decimal ones without zeros before them")

    def _short(self, array: _Array, lacking: int) -> list[Finding]:
        """Return a warning if the array is declared longer than its numbers are."""
        return [Finding(
            "PS636", f"the array has {plural(array.length, 'element')}, and the last {lacking} are "
            "not given", self._found.source, self._span(array.start - 1, array.start),
            help="they are taken as 0, as C does; copy the array again if lines were lost",
            severity=Severity.WARNING)] if lacking else []

    def _array(self) -> _Array | None:
        lists = [m.span() for m in _LIST.finditer(self._text) if self._is_list(m[0])] or [
            m.span() for m in _TUPLE.finditer(self._text) if self._is_list(m[0])]
        if len(lists) > 1:
            self._found.fail(
                "PS629", f"the text holds {len(lists)} arrays", self._span(*lists[0]),
                label="the first one", help="leave one in it")
            return None
        if not lists:
            if not self._is_list(f"{{{self._text}}}"):
                self._found.fail("PS629", "the text holds no array of numbers", Span(1, 1, 1, 1),
                                 help="an array is numbers between `{` and `}`")
                return None
            return _Array(0, len(self._text), 0, 0)
        start, end = lists[0]
        before = self._text[max(0, start - 200):start].rpartition(";")[2]
        # The last type before the list is that of the array.
        declared = [int(m[1] or m[2] or 8) // 8 for m in _TYPE.finditer(before)]
        width = declared[-1] if declared else 0
        length = _LENGTH.search(before)
        elements = int(length[1], 0 if length[1][:2] in ("0x", "0X") else 10) if length else 0
        if elements * max(width, 1) > MAX_SPAN:
            self._found.fail("PS626", f"an array of {elements} elements is no dump of one EEPROM",
                             self._span(start, start + 1))
            return None
        return _Array(start + 1, end - 1, width, elements)

    def _is_list(self, text: str) -> bool:
        """Whether a text in braces begins with a number and a comma: more than an index."""
        first = _NUMBER.match(text, _end(_BLANK, text, 1))
        return first is not None and ("," in text or text[0] == "{" or "\n" in text)

    def _numbers(self, array: _Array) -> Iterator[re.Match[str]]:
        at = array.start
        while True:
            at = _end(_BLANK, self._text, at)
            if at >= array.end:
                return
            number = _NUMBER.match(self._text, at, array.end)
            if number is None:
                end = min(_end(_WORD, self._text, at), array.end)
                self._found.fail(
                    "PS621", "this is not a number", self._span(at, end),
                    help="names and expressions cannot be read: write their values")
                at = end
                continue
            yield number
            at = number.end()

    def _word_order(self, data: bytes, width: int, span: Span) -> Order | None:
        if self._options.order:
            return self._options.order
        orders = recognised(data, width, Order, self._options.recognises)
        if len(orders) == 1:
            return orders[0]
        self._found.fail("PS630", f"the elements have {width} bytes, and nothing tells which of "
                         "them comes first on the EEPROM", span, help="give --input-words big if "
                         "the high byte comes first, --input-words little if the low byte does")
        return None

    def _span(self, start: int, end: int) -> Span:
        line = self._text.count("\n", 0, start) + 1
        column = start - self._text.rfind("\n", 0, start)
        stop = min(end, (self._text + "\n").index("\n", start))
        return Span(line, column, line, column + max(stop - start, 1))


def _end(pattern: re.Pattern[str], text: str, at: int) -> int:
    """Return where a pattern that always matches ends."""
    match = pattern.match(text, at)
    return match.end() if match else at


def _fits(value: int, width: int) -> bool:
    return -(1 << 8 * width - 1) <= value < 1 << 8 * width


def _value(number: re.Match[str]) -> int:
    digits, character = number[1], number[2]
    if (digits and digits[0] in "$&-") or (digits and digits[-1] in "hH"):
        return int(digits) if digits[0] == "-" else int(digits.strip("$&hH"), 16)
    if character:
        if character.startswith("\\x"):
            return int(character[2:], 16)
        if re.fullmatch(r"\\[0-7]+", character):
            return int(character[1:], 8)
        return _ESCAPES.get(character[1], ord(character[1])) if len(character) == 2 else ord(
            character)
    if digits[:2] in ("0x", "0X"):
        return int(digits, 16)
    if digits[:2] in ("0b", "0B"):
        return int(digits[2:], 2)
    octal = len(digits) > 1 and digits[0] == "0" and not set(digits) & set("89")
    return int(digits, 8 if octal else 10)
