"""Image files: a whole EEPROM as bytes, to and from the forms people store it in.

A form is a pair of pure functions in `FORMS`; another one is another row. A file that is not what
its form demands is refused with the place, never read as something else. bincopy reads and writes
the records of Intel HEX and is used nowhere else; what it lets pass (overlaps, a missing end
record, white space inside a record) is checked here. Must not know labels, rings or schemas.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import PurePath

from paramstore.errors import Finding, FindingsError, SourceText, Span, ToolError
from paramstore.format import ERASED

__all__ = ["FORMS", "Dump", "Form", "decode_image", "encode_image", "form_of"]


MAX_FINDINGS = 20
"""A file of another kind would be wrong in every line."""

_DATA, _END, _SEGMENT, _START_SEGMENT, _LINEAR, _START_LINEAR = range(6)
_PAYLOAD_BYTES = {_END: 0, _SEGMENT: 2, _START_SEGMENT: 4, _LINEAR: 2, _START_LINEAR: 4}


@dataclass(frozen=True, slots=True)
class Dump:
    """What a file says about an EEPROM: `data` from address 0 on.

    `gaps` are the (first, past the last) addresses inside `data` that the file does not give;
    they read as FF.
    """

    data: bytes
    gaps: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Form:
    """One file form. `decode` takes the content, the name of the file and the capacity, bytes."""

    name: str
    title: str
    suffixes: tuple[str, ...]
    encode: Callable[[bytes], bytes]
    decode: Callable[[bytes, str, int], Dump]


def form_of(path: str, name: str | None = None) -> Form:
    """Return the form called `name`, or if that is None the one that the suffix of `path` tells.

    Raises ToolError if there is none.
    """
    if name is not None:
        if name in FORMS:
            return FORMS[name]
        raise ToolError(f"there is no file form `{name}`", f"use one of: {', '.join(FORMS)}")
    suffix = PurePath(path).suffix.lower()
    for form in FORMS.values():
        if suffix in form.suffixes:
            return form
    known = ", ".join(s for form in FORMS.values() for s in form.suffixes)
    raise ToolError(f"the name `{path}` does not tell the form of the file",
                    f"give --format ({' or '.join(FORMS)}), or one of the suffixes {known}")


def encode_image(image: bytes, form: Form) -> bytes:
    """Return the content of a file that holds the whole `image`."""
    return form.encode(image)


def decode_image(content: bytes, form: Form, path: str, capacity: int) -> Dump:
    """Return what a file says about a part of `capacity` bytes.

    A binary dump keeps its own length. A form with addresses is filled up to `capacity`.
    Raises FindingsError (PS62x) with every place where the file is not what it should be.
    """
    if not content:
        raise FindingsError([Finding("PS620", f"`{path}` is empty", SourceText(path, ""),
                                     help="read the part again")])
    return form.decode(content, path, capacity)


def _encode_binary(image: bytes) -> bytes:
    return image


def _decode_binary(content: bytes, path: str, capacity: int) -> Dump:
    return Dump(content)


def _encode_hex(image: bytes) -> bytes:
    import bincopy

    file = bincopy.BinFile()
    file.add_binary(image, address=0)
    return bytes(file.as_ihex(number_of_data_bytes=16).encode("ascii"))


def _decode_hex(content: bytes, path: str, capacity: int) -> Dump:
    # Latin-1 gives every byte a character, so that any content has lines and columns.
    return _HexReader(SourceText(path, content.decode("latin-1")), capacity).read()


class _HexReader:
    """Reads Intel HEX line by line and collects every mistake."""

    def __init__(self, source: SourceText, capacity: int) -> None:
        self._source = source
        self._findings: list[Finding] = []
        self._data = bytearray([ERASED]) * capacity
        self._given = bytearray(capacity)  # 1 where a record gave the byte
        self._base = 0
        self._segmented = False
        self._ended = False
        self._beyond: Span | None = None  # the first record past the end of the part
        self._end = 0  # past the last address given

    def read(self) -> Dump:
        lines = self._source.text.split("\n")
        for number, line in enumerate(lines, start=1):
            text = line.strip()
            if text:
                self._line(number, line.index(text) + 1, text)
            if len(self._findings) >= MAX_FINDINGS:
                raise FindingsError(self._findings)
        if self._beyond:
            self._fail("PS626", f"the file goes on to 0x{self._end - 1:X}, past the part's "
                       f"{len(self._data)} bytes", self._beyond, label="the first record beyond",
                       help="give the schema of this part; its first byte has address 0")
        if not self._ended:
            last = max((n for n, line in enumerate(lines, start=1) if line.strip()), default=1)
            self._fail("PS624", "the end record is missing: the file was cut short",
                       Span(last, 1, last, len(self._source.line(last)) + 1),
                       label="the last line", help="a whole file ends with `:00000001FF`")
        elif not self._findings and not any(self._given):
            self._fail("PS620", f"`{self._source.path}` holds no data", Span(1, 1, 1, 1),
                       help="read the part again")
        if self._findings:
            raise FindingsError(self._findings)
        return Dump(bytes(self._data), tuple(_gaps(self._given)))

    def _line(self, number: int, column: int, text: str) -> None:
        import bincopy

        whole = Span(number, column, number, column + len(text))
        if self._ended:
            self._fail("PS624", "a record follows the end record", whole,
                       help="if files were joined, read them one by one")
            return
        if not re.fullmatch(r":(?:[0-9A-Fa-f]{2}){5,}", text):
            self._fail("PS621", "this is not an Intel HEX record", whole,
                       help="a record is `:` and at least 5 pairs of hex digits")
            return
        try:
            kind, address, size, data = bincopy.unpack_ihex(text)
        except bincopy.Error:
            self._fail(*self._why(text), whole)
            return
        if kind == _DATA:
            self._place(address, bytes(data), whole)
        elif kind not in _PAYLOAD_BYTES:
            self._fail("PS621", f"there is no record type {kind:02X}",
                       _digits(whole, 7, 2), help="types are 00 to 05")
        elif size != _PAYLOAD_BYTES[kind]:
            self._fail("PS621", f"a record of type {kind:02X} has {_PAYLOAD_BYTES[kind]} data "
                       f"bytes, not {size}", _digits(whole, 1, 2))
        elif kind == _END:
            self._ended = True
        elif kind in (_SEGMENT, _LINEAR):
            self._segmented = kind == _SEGMENT
            self._base = int.from_bytes(data, "big") << (4 if self._segmented else 16)

    def _why(self, text: str) -> tuple[str, str]:
        content = bytes.fromhex(text[1:])
        if content[0] != len(content) - 5:
            return "PS622", (f"the record says {content[0]} data bytes and has "
                             f"{len(content) - 5}")
        right = -sum(content[:-1]) & 0xFF
        return "PS623", f"the checksum is {content[-1]:02X}, {right:02X} would be right"

    def _place(self, address: int, data: bytes, span: Span) -> None:
        first = self._base + address
        end = first + len(data)
        self._end = max(self._end, end)
        if self._segmented and address + len(data) > 0x10000:
            self._fail("PS621", "the record runs past the end of its 64 KiB segment", span)
        elif end > len(self._data):
            self._beyond = self._beyond or span
        elif any(self._given[first:end]):
            at = first + self._given[first:end].index(1)
            self._fail("PS625", f"address 0x{at:X} was given before", span,
                       help="the file holds more than one dump, or was edited by hand")
        else:
            self._data[first:end] = data
            self._given[first:end] = b"\1" * len(data)

    def _fail(self, code: str, message: str, span: Span, label: str = "",
              help: str = "read the part again, or copy the file again") -> None:
        self._findings.append(Finding(code, message, self._source, span, label, help=help))


def _digits(span: Span, first: int, count: int) -> Span:
    return Span(span.line, span.column + first, span.line, span.column + first + count)


def _gaps(given: bytearray) -> Iterator[tuple[int, int]]:
    for match in re.finditer(rb"\0+", given):
        yield match.span()


FORMS: dict[str, Form] = {
    form.name: form
    for form in (
        Form("bin", "raw binary", (".bin",), _encode_binary, _decode_binary),
        Form("hex", "Intel HEX", (".hex", ".ihex", ".ihx"), _encode_hex, _decode_hex),
    )
}
