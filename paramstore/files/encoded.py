"""Texts that carry bytes in another alphabet: base64, percent signs, numbered entities; and pages
of markup that carry a dump."""

from __future__ import annotations

import base64
import binascii
import re
from urllib.parse import unquote_to_bytes

from paramstore.core.errors import SourceText, Span
from paramstore.files.runs import Collector, Reading

__all__ = ["from_base64", "holds_encoded", "read", "without_markup"]

_BASE64 = re.compile(r"[A-Za-z0-9+/_-]{8,}={0,2}")
_ARMOUR = re.compile(r"-----(?:BEGIN|END)[^-\n]{0,60}-----|data:[\w/;.+-]{0,80};base64,")
_PERCENT = re.compile(r"(?=[^%]{0,60}%)(?:%[0-9A-Fa-f]{2}|[A-Za-z0-9_.~/-])+")
_ENTITIES = re.compile(r"(?:\s*+&#(?:[xX][0-9A-Fa-f]{1,2}|[0-9]{1,3});){4,}+\s*+")
_MARKUP = re.compile(r"</?(?:pre|code|br|p|div|span|td|th|tr|table|tt|font|b|html|body)\b[^<>]*>|"
                     r"&(?:nbsp|lt|gt|amp|quot|apos|#160|#x[Aa]0|#3[0-9]|#x2[0-9A-Fa-f]);",
                     re.IGNORECASE)
_BREAK = re.compile(r"<(?:br|/p|/div|/tr|/pre)\b[^<>]*>[ \t]*(?:\r?\n)?", re.IGNORECASE)


def holds_encoded(text: str) -> bool:
    """Return whether a text is nothing but bytes in another alphabet."""
    return _entities(text) or _percent(text) or _base64(text) is not None


def read(source: SourceText) -> Reading:
    """Return the bytes of a text for which `holds_encoded` is true. FindingsError (PS638) for what
    may be two things."""
    found, text = Collector(source), source.text
    if _entities(text):
        values = [int(v[1:], 16) if v[0] in "xX" else int(v)
                  for v in re.findall(r"&#([xX]?[0-9A-Fa-f]+);", text)]
        if max(values) > 0xFF:
            found.fail("PS621", f"{max(values)} is no byte", Span(1, 1, 1, 1))
        else:
            found.add_run(0, bytes(values))
        return found.finish("text", "numbered entities", addressed=False)
    if _percent(text):
        found.add_run(0, unquote_to_bytes(text.strip()))
        return found.finish("text", "bytes written with percent signs", addressed=False)
    found.add_run(0, _base64(text) or b"")
    return found.finish("text", "base64", addressed=False)


def from_base64(text: str) -> bytes | None:
    """Return the bytes of a text in base64, of either alphabet; None if it is none."""
    joined = re.sub(r"\s", "", text)
    plain = joined.translate(str.maketrans("-_", "+/"))
    if _BASE64.fullmatch(joined) is None or len(plain) % 4:
        return None
    try:
        return base64.b64decode(plain, validate=True)
    except binascii.Error:
        return None


def without_markup(content: bytes) -> bytes:
    """Return a page of markup as the text that a browser shows; else `content`."""
    if b"<" not in content and b"&" not in content:
        return content
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        return content
    if _MARKUP.search(text) is None or _entities(text):
        return content
    import html  # takes longer to load than most dumps to read

    shown = re.sub(r"</(?:td|th)\b[^<>]*>", " ", _BREAK.sub("\n", text), flags=re.IGNORECASE)
    tags = re.compile(_MARKUP.pattern.partition("|&")[0], re.IGNORECASE)
    return html.unescape(tags.sub("", shown)).encode()


def _entities(text: str) -> bool:
    return _ENTITIES.fullmatch(text) is not None


def _percent(text: str) -> bool:
    text = text.strip()
    return text.count("%") > 2 and _PERCENT.fullmatch(text) is not None


def _base64(text: str) -> bytes | None:
    """Return the bytes of a text that is base64 throughout, and cannot be hex digits or words."""
    body = _ARMOUR.sub("", text)
    lines = body.split()
    if not lines or len({len(line) for line in lines[:-1]}) > 1 or len(body.strip()) < 12:
        return None
    joined = "".join(lines)
    mixed = any(map(str.islower, joined)) and any(map(str.isupper, joined)) and (
        any(map(str.isdigit, joined)) or joined[-1] == "=")
    hexed = re.fullmatch(r"[0-9A-Fa-f]+", joined) is not None
    return from_base64(joined) if mixed and not hexed else None
