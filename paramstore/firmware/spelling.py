"""How C writes things: types, literals, names, comments.

Pure text. Knows scalars, no plan and no template. Comments are made safe here: no text of a
schema can end a comment, join two lines or reorder what an editor shows.
"""

from __future__ import annotations

import re
import struct
import textwrap
from collections.abc import Iterable
from functools import cache
from importlib.resources import files

from paramstore.core.scalars import Raw, Scalar, ScalarForm
from paramstore.schema.identifiers import C_WORDS

__all__ = ["C_TYPES", "FORMED", "comment_lines", "comment_text", "hex_bytes", "literal",
           "macro_name", "mask_literal", "real_literal", "reserved"]

C_TYPES = {
    "u8": "uint8_t", "u16": "uint16_t", "u32": "uint32_t", "u64": "uint64_t",
    "i8": "int8_t", "i16": "int16_t", "i32": "int32_t", "i64": "int64_t",
    "f32": "float", "f64": "double",
}
"""The C type of each scalar."""

FORMED = (r"[a-z]\w*_(t|layout|init)|[a-z]\w*_(get|set|physical|decimal|raw)_\w+"
          r"|[A-Z][A-Z0-9]*_[A-Z0-9_]+")
"""Regular expression of the identifiers of generated headers."""


@cache
def _taken() -> frozenset[str]:
    """Such identifiers that standard headers have; `tests.programs.taken_names` collects them."""
    text = (files("paramstore.firmware") / "taken_names.txt").read_text("utf-8")
    return frozenset(text.split())


_INTEGER_SUFFIX = {1: "", 2: "", 4: "L", 8: "LL"}


def reserved(identifier: str) -> bool:
    """Return whether a C or C++ file may already have `identifier`: a word of the language, a name
    of the standard headers or of the runtime, or one that C keeps for compilers."""
    return (identifier in C_WORDS or identifier.startswith(("ps_", "PS_"))
            or "__" in identifier  # C++ keeps these for its compilers
            or identifier in _taken())


def macro_name(*parts: str) -> str:
    """Return the parts in upper case joined by `_`; what no identifier may hold becomes `_`."""
    return re.sub(r"[^A-Z0-9_]", "_", "_".join(parts).upper())


def literal(scalar: Scalar, value: Raw) -> str:
    """Return `value` as a constant expression, right also where int has 16 bits.

    Negative ones stand in parentheses. The most negative integer is written as a difference, as C
    has no literal for it.
    """
    if scalar.form is ScalarForm.FLOAT:
        return _parenthesised(real_literal(float(value), scalar.size == 4))
    suffix = _INTEGER_SUFFIX[scalar.size]
    if scalar.form is ScalarForm.UNSIGNED:
        return f"{value}u{suffix}"
    if value == scalar.minimum and scalar.size > 1:
        return f"({int(value) + 1}{suffix} - 1)"
    return _parenthesised(f"{value}{suffix}")


def mask_literal(scalar: Scalar, value: int) -> str:
    """Return an unsigned `value` in hexadecimal, as wide as the scalar."""
    return f"0x{value:0{2 * scalar.size}X}u{_INTEGER_SUFFIX[scalar.size]}"


def real_literal(value: float, single: bool) -> str:
    """Return the shortest decimal literal that reads back as `value` (float if `single`)."""
    return repr(_shortest_single(value)) + "f" if single else repr(value)


def _shortest_single(value: float) -> float:
    """The double with the fewest decimal digits that rounds to the same float."""
    packed = struct.pack("<f", value)
    for digits in range(1, 10):
        short = float(f"{value:.{digits}g}")
        try:
            if struct.pack("<f", short) == packed:
                return short
        except OverflowError:  # rounded up beyond the largest float: one digit more
            continue
    raise AssertionError(f"nine digits tell every float, but not {value!r}")


def _parenthesised(text: str) -> str:
    return f"({text})" if text.startswith("-") else text


def hex_bytes(data: bytes, per_line: int = 12) -> list[str]:
    """Return the bytes as initialisers, a line for every `per_line` of them."""
    return [" ".join(f"0x{byte:02X}," for byte in data[i:i + per_line])
            for i in range(0, len(data), per_line)]


def comment_text(text: str) -> str:
    """Return `text` as one line that may stand inside a comment.

    Control, formatting and unassigned characters become blanks (among them line ends and those
    that change the direction of writing); comment marks and trigraphs are pulled apart.
    """
    if not text.isprintable():
        text = "".join(c if c.isprintable() else " " for c in text)
    text = " ".join(text.split())
    text = text.replace("*/", "* /").replace("/*", "/ *")
    return re.sub(r"\?(?=\?)", "? ", text)


def comment_lines(texts: Iterable[str], width: int = 96) -> list[str]:
    """Return paragraphs wrapped to lines of a comment; empty paragraphs are left out."""
    lines = []
    for text in map(comment_text, texts):
        short = len(text) <= width  # most are, and to wrap takes its time
        wrapped = [text] if short else textwrap.wrap(text, width, break_on_hyphens=False)
        for line in filter(None, wrapped):
            # A backslash at the end of a line would join it with the next one.
            lines.append(line + "." if line.endswith("\\") else line)
    return lines
