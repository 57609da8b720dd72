"""Forms of text that hold bytes and are not read: what they are, and what writes a readable one."""

from __future__ import annotations

import re

__all__ = ["name_of"]

_HEX = "`od -A x -t x1`"
_FORMS: tuple[tuple[str, str, str], ...] = (
    (r"^begin [0-7]{3,4} \S", "a text encoded for mail (`begin` and a mode)",
     "decode it, and give the file"),
    (r"\A\s*<~", "base85", "decode it, and give the file"),
    (r"\A\s*+(?=[A-Z2-7=\s]*[2-7=])(?=[A-Z2-7=\s]*[G-Z])(?:[A-Z2-7]{8,}+={0,6}+\s*+)++\Z", "base32",
     "decode it, and give the file"),
    (r"(?:=[0-9A-F]{2}){4}(?![0-9A-F]{2})", "quoted-printable", "decode it, and give the file"),
    (r"^[0-9A-Fa-f]{6,8}[ \t][^|>\n]*[ \t]\\[0abtnvfr](?:[ \t]|$)", "a dump as characters",
     f"let {_HEX} write bytes"),
    (r"^[0-9A-Fa-f]{6,8}[ \t][^|>\n]*[ \t](?:nul|soh|stx|etx|eot|enq|dle|esc|del)(?:[ \t]|$)",
     "a dump as named characters", f"let {_HEX} write bytes"),
    (r"<repeats \d+ times>", "what a debugger prints, with repeated values left out",
     "let it write every byte, as with x/256xb"),
)
"""Sign, name, and way out; the first sign that is found names the form."""

_PATTERNS = [(re.compile(sign, re.MULTILINE), name, way) for sign, name, way in _FORMS]


def name_of(text: str) -> tuple[str, str] | None:
    """Return the name of the form of a text, and what to do; None if it is none of these."""
    head = text[:1 << 14]
    for sign, name, way in _PATTERNS:
        if sign.search(head):
            return name, way
    return None
