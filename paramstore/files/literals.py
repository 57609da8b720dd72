"""Strings of a programming language that hold bytes: with escapes, as hex digits, or in base64.

    b'PSL\\xd5\\x01'    "\\x50\\x53L\\325"    bytes.fromhex("50 53 4c d5")    b64decode("UFNM1Q==")

Nothing is run: a string is read by its own rules, and refused where two languages differ.
"""

from __future__ import annotations

import re

from paramstore.core.errors import SourceText, Span
from paramstore.files.encoded import from_base64
from paramstore.files.runs import Collector, Reading

__all__ = ["holds_strings", "read"]

_STRING = re.compile(r"""(\b[bBrRuUL]{1,2}8?)?(\"\"\"|'''|"|')((?:\\[\s\S]|(?!\2)[^\\])*+)(\2)?""")
"""A string; without the last group its end is missing, and it goes on to that of the text."""
_ESCAPE = re.compile(r"\\(x[0-9A-Fa-f]*|[0-7]{1,3}|\r?\n|[\s\S])")
_PLAIN = {"n": 10, "r": 13, "t": 9, "a": 7, "b": 8, "f": 12, "v": 11, "\\": 92, "'": 39, '"': 34,
          "?": 63, "e": 27}
_CHARACTER = re.compile(r"'(?:\\x[0-9A-Fa-f]{1,2}|\\[0-7]{1,3}|\\?[ -~])'")
"""A character of C: a number like any other in an array."""
_AROUND = re.compile(r"[\w\s.,;:=()\[\]{}*+&$<>-]*")
_BARE = re.compile(r"\s*+(?:\\x[0-9A-Fa-f]{2}\s*+){4,}+")
_HEX = re.compile(r"(?:[\s:,-]|0[xX](?=[0-9A-Fa-f])|[0-9A-Fa-f]{2})*+")
_COMMENT = re.compile(r"//[^\n]*|/\*[\s\S]*?\*/|^[ \t]*#[^\n]*", re.MULTILINE)


def holds_strings(text: str) -> bool:
    """Return whether a text is strings that hold bytes, and little around them."""
    if _BARE.fullmatch(text):
        return True
    strings = _strings(text)
    if not strings or _AROUND.fullmatch(_COMMENT.sub("", _STRING.sub("", text[
            :strings[0].start()]))) is None:
        return False
    if all(_CHARACTER.fullmatch(m[0]) for m in strings):
        return False
    first, bodies = strings[0], [m[3] for m in strings]
    return sum(map(len, bodies)) * 4 > len(text) and any(
        "\\" in b or len(b) > 7 for b in bodies) and _kind(text, bodies, first[1]) != ""


def read(source: SourceText) -> Reading:
    """Return the bytes of the strings in a text, one after another.

    FindingsError: several values (PS629), what no string can hold (PS621), an escape that two
    languages read in two ways (PS638).
    """
    found = Collector(source)
    text = source.text
    if _BARE.fullmatch(text):
        found.add_run(0, bytes.fromhex(re.sub(r"\\x|\s", "", text)))
        return found.finish("c", "bytes written as escapes", addressed=False)
    strings = _strings(text)
    around = _COMMENT.sub("", _STRING.sub(" ", text))
    at = _span(text, strings[0].start())
    if "repeats" in around or "..." in around:
        found.fail("PS629", "parts of the string were left out where it was written", at,
                   help="let the program write all of it")
    elif around.count("=") - around.count("==") * 2 > 1:
        found.fail("PS629", "the text holds several values", at, "the first one",
                   help="leave one in it")
    kind = _kind(text, [m[3] for m in strings], strings[0][1])
    data = b""
    for string in strings:
        data += _bytes(found, text, string, kind)
    found.add_run(0, data)
    title = {"escapes": "a string with escapes", "hex": "a string of hex digits",
             "base64": "a string in base64"}[kind]
    return found.finish("c", title, addressed=False)


def _strings(text: str) -> list[re.Match[str]]:
    """Return the strings of a text, without those that name a value; none if one has no end."""
    found = list(_STRING.finditer(text))
    if not all(m[4] for m in found):
        return []
    return [m for m in found if not text[m.end():m.end() + 40].lstrip().startswith(":")]


def _kind(text: str, bodies: list[str], prefix: str | None) -> str:
    """Return how strings hold bytes, "" if they do not."""
    around = _STRING.sub(" ", text).lower()
    joined = "".join(bodies)
    if "\\" in joined or "b" in (prefix or "").lower():
        return "escapes"
    if "64" not in around and _HEX.fullmatch(joined) and joined.strip():
        return "hex"
    return "base64" if from_base64(joined) is not None else ""


def _bytes(found: Collector, text: str, string: re.Match[str], kind: str) -> bytes:
    if kind == "hex":
        return bytes.fromhex(re.sub(r"0[xX]|[\s:,-]", "", string[3]))
    if kind == "base64":
        return from_base64(string[3]) or b""
    prefix, body, data, at = (string[1] or "").lower(), string[3], bytearray(), 0
    if "r" in prefix:
        return body.encode("latin-1", "replace")
    while at < len(body):
        place = _span(text, string.start(3) + at)
        escape = _ESCAPE.match(body, at)
        if escape is None:
            if ord(body[at]) > 0x7E or ord(body[at]) < 0x20:
                found.fail("PS621", "this sign is no byte that a string can hold", place,
                           help="write it as an escape, such as `\\xd5`")
            data.append(ord(body[at]) & 0xFF)
            at += 1
            continue
        value, size = _escaped(escape[1])
        if escape[1][0] == "x" and "b" not in prefix and len(escape[1]) > 3 and (
                int(escape[1][1:], 16) <= 0xFF):
            found.fail("PS638", f"`{escape[0]}` is one byte in C, and more in other languages",
                       place, help="end the string behind the escape, and begin another one")
        if value is None:
            found.fail("PS621", f"`\\{escape[1][0]}` is no escape that is known", place)
        else:
            data += value
        at += size
    return bytes(data)


def _escaped(escape: str) -> tuple[bytes | None, int]:
    """Return the bytes of an escape, None if it is none, and its length with the backslash."""
    if escape[0] == "x":
        digits = escape[1:3]
        return (bytes([int(digits, 16)]) if digits else None), 2 + len(digits)
    if escape[0] in "01234567":
        return (bytes([int(escape, 8)]) if int(escape, 8) <= 0xFF else None), 1 + len(escape)
    if escape[-1] == "\n":
        return b"", 1 + len(escape)
    return (bytes([_PLAIN[escape]]) if escape in _PLAIN else None), 1 + len(escape)


def _span(text: str, at: int) -> Span:
    line = text.count("\n", 0, at) + 1
    column = at - text.rfind("\n", 0, at)
    return Span(line, column, line, column + 1)
