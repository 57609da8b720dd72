"""Text that is safe to show: whatever it came from, it has no effect on a terminal, an editor or a
reader of JSON or TOML.

Texts come from schemas, parts, tables, records and dumps. Control characters (of C1, too), marks
that change the direction of writing and separators of lines move a cursor or hide what stands
there. They are shown by their number. Knows no file format beyond its strings.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from typing import TypeAlias

__all__ = ["Json", "JsonObject", "first_unprintable", "json_text", "one_line", "printable",
           "quoted"]

Json: TypeAlias = "bool | int | float | str | Sequence[Json] | Mapping[str, Json] | None"
"""What JSON can say."""

JsonObject: TypeAlias = "dict[str, Json]"
"""An object of JSON, as a report puts it together."""

_PLAIN = re.compile(r"[^ -~]+")
"""What may have something else than printable ASCII."""


def _escaped(text: str, escape: Callable[[str], str]) -> str:
    def some(found: re.Match[str]) -> str:
        part = found[0]
        return part if part.isprintable() else "".join(
            c if c.isprintable() else escape(c) for c in part)

    return _PLAIN.sub(some, text)


def printable(text: str) -> str:
    """Return `text` with what does not print (a line end, an escape) shown as `\\xNN`."""
    if text.isprintable():
        return text
    return _escaped(text, lambda c: c.encode("unicode_escape").decode())


def one_line(text: str) -> str:
    """Return a text of several lines as one, printable."""
    return printable(" ".join(text.split()))


def first_unprintable(text: str, but: str = "") -> str:
    """Return the first character of `text` that does not print and is not among `but`, or ""."""
    if text.isprintable():
        return ""
    return next((c for c in text if not c.isprintable() and c not in but), "")


def quoted(text: str) -> str:
    """Return a text in quotes, as TOML and people read it; only what prints is in it."""
    return _escaped(json.dumps(text, ensure_ascii=False), _toml_escape)


def json_text(data: Json) -> str:
    """Return data as JSON on several lines, in which every character prints."""
    return _escaped(json.dumps(data, indent=2, ensure_ascii=False), _json_escape)


def _toml_escape(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}"


def _json_escape(character: str) -> str:
    # What JSON has between its strings are line ends, blanks and ASCII.
    return "\n" if character == "\n" else json.dumps(character)[1:-1]
