"""Which form a file has, from its content alone.

Each form has a sign that its files bear. Exactly one sign decides; none or several are an error
that names the candidates, for a dump that is read as something else looks like a damaged
one. Some forms are known by their sign, and not read.
"""

from __future__ import annotations

import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE

from paramstore.core.errors import Finding, FindingsError, SourceText

__all__ = ["is_text", "recognise", "without_utf16"]

_LOOK_AT = 1 << 16
"""Bytes of a file that are looked at for the sign of a text form."""
_LOOK_AT_LINES = 200
_UF2 = b"UF2\nWQ]\x9e"  # its first two magic numbers
_CONTROL = bytes(set(range(0x20)) - set(b"\t\n\r\f\b\x1b") | {0x7F})
_HEX = re.compile(rb"^[ \t]*:[0-9A-Fa-f]{8}", re.MULTILINE)
_S_RECORD = re.compile(rb"^[ \t]*[Ss][0-9][0-9A-Fa-f]{6}", re.MULTILINE)
_PAIRS = re.compile(r"\s*[0-9A-Fa-f]{2}(?:\s*[,;]\s*[0-9A-Fa-f]{2})*[,;]?\s*")
_C_ARRAY = re.compile(
    rb"(?:[={\[,]|\((?=[^()]{1,40},)|^|\b(?:\.?byte|\.?db|defb|dc\.b|fcb)[ \t])\s{0,200}"
    rb"(?:\([\w: ]{1,30}\)\s{0,8})?"
    rb"(?:['\"]?0[xX][0-9A-Fa-f]{1,16}['\"]?|[0-9][0-9A-Fa-f]{0,4}[hH]|\$[0-9A-Fa-f]{1,4}"
    rb"|&[hH][0-9A-Fa-f]{1,4}|-?[0-9]{1,20}|'[^'\n]{1,4}')"
    rb"(?:[uUlL]{0,3}|[ui](?:8|16|32|64))\s{0,200}[,}]", re.MULTILINE | re.IGNORECASE)


def recognise(content: bytes, path: str) -> str:
    """Return the name of the form of a file: bin, hex, srec, uf2, c or text.

    FindingsError (PS628) with the candidates if there is not exactly one.
    """
    forms = _signs(content)
    if len(forms) == 1:
        return forms[0]
    source = SourceText(path, "")
    if not forms and (named := _unread_form(content[:_LOOK_AT].decode("utf-8", "replace"))):
        raise FindingsError([Finding(
            "PS628", f"`{path}` is {named[0]}, which is not read", source, help=named[1])])
    if not forms:
        raise FindingsError([Finding(
            "PS628", f"`{path}` is text, but of no form that is known", source,
            help="if these are the bytes of the EEPROM all the same, give --input-format bin")])
    raise FindingsError([Finding(
        "PS628", f"`{path}` may be of form {' or '.join(forms)}", source,
        help=f"give --input-format {forms[0]} or --input-format {forms[1]}")])


def without_utf16(content: bytes) -> bytes:
    """Return a text in UTF-16, as some consoles and editors save it, in UTF-8; else `content`.

    The mark of the byte order alone may be bytes of an EEPROM, so all that follows must be text.
    """
    if not content.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return content
    try:
        text = content.decode("utf-16")
    except UnicodeDecodeError:
        return content
    beyond = len(text) - len(text.encode("ascii", "ignore"))
    return text.encode() if beyond * 50 < len(text) and is_text(text.encode()) else content


def _signs(content: bytes) -> list[str]:
    if content.startswith(_UF2):
        return ["uf2"]
    head = content[:_LOOK_AT]
    forms = [name for name, sign in (("hex", _HEX), ("srec", _S_RECORD)) if sign.search(head)]
    binary = not is_text(head)
    if not forms and not binary:
        text = head.decode("utf-8-sig", "replace")
        if _unread_form(text):
            return []
        if not _is_plain(text) and (_C_ARRAY.search(head) or _holds_strings(text)):
            forms.append("c")
        elif _is_plain(text) or _holds_dump_lines(head.decode("utf-8", "replace")):
            forms.append("text")
    return [*forms, "bin"] if binary else forms


def _holds_dump_lines(text: str) -> bool:
    from paramstore.files.text_dump import holds_dump_lines

    return holds_dump_lines(text, _LOOK_AT_LINES)


def _holds_strings(text: str) -> bool:
    from paramstore.files.literals import holds_strings

    return holds_strings(text)


def _is_plain(text: str) -> bool:
    """Whether a text is bytes in another alphabet, a table of addresses, or pairs of hex digits
    with commas: it is no array then, though it has commas, too."""
    from paramstore.files.encoded import holds_encoded
    from paramstore.files.tables import as_dump

    return holds_encoded(text) or as_dump(text) is not None or (
        _PAIRS.fullmatch(text) is not None and any(map(str.isalpha, text)))


def is_text(head: bytes) -> bool:
    """Whether bytes are text, but for a few that a serial line has garbled."""
    garbled = len(head) - len(head.translate(None, _CONTROL))
    if garbled * 50 > len(head):
        return False
    try:
        head[:-4].decode("utf-8")
    except UnicodeDecodeError:
        beyond = sum(byte >= 0x80 for byte in head)
        return beyond * 50 <= len(head)
    return True


_WRITE_HEX = "`od -A x -t x1`"
_FORMS: tuple[tuple[str, str, str], ...] = (
    (r"^begin [0-7]{3,4} \S", "a text encoded for mail (`begin` and a mode)",
     "decode it, and give the file"),
    (r"\A\s*<~", "base85", "decode it, and give the file"),
    (r"\A\s*+(?=[A-Z2-7=\s]*[2-7=])(?=[A-Z2-7=\s]*[G-Z])(?:[A-Z2-7]{8,}+={0,6}+\s*+)++\Z", "base32",
     "decode it, and give the file"),
    (r"(?:=[0-9A-F]{2}){4}(?![0-9A-F]{2})", "quoted-printable", "decode it, and give the file"),
    (r"^[0-9A-Fa-f]{6,8}[ \t][^|>\n]*[ \t]\\[0abtnvfr](?:[ \t]|$)", "a dump as characters",
     f"let {_WRITE_HEX} write bytes"),
    (r"^[0-9A-Fa-f]{6,8}[ \t][^|>\n]*[ \t](?:nul|soh|stx|etx|eot|enq|dle|esc|del)(?:[ \t]|$)",
     "a dump as named characters", f"let {_WRITE_HEX} write bytes"),
    (r"<repeats \d+ times>", "what a debugger prints, with repeated values left out",
     "let it write every byte, as with x/256xb"),
)
"""Sign, name, and way out; the first sign that is found names the form."""

_PATTERNS = [(re.compile(sign, re.MULTILINE), name, way) for sign, name, way in _FORMS]


def _unread_form(text: str) -> tuple[str, str] | None:
    """Return the name of the form of a text, and what to do; None if it is none of these."""
    head = text[:1 << 14]
    for sign, name, way in _PATTERNS:
        if sign.search(head):
            return name, way
    return None
