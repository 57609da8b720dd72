"""Wording of TOML syntax errors, with help for the mistakes that people make most.

tomllib says where a text stops being TOML; what was meant is guessed from the text around that
place. A guess only chooses words: the place and the verdict are tomllib's.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from paramstore.core.errors import Finding, SourceText, Span

__all__ = ["explain_syntax"]

_PLACE = re.compile(r"(.*) \(at line (\d+), column (\d+)\)", re.DOTALL)
_NOTE = "nothing after this place has been checked yet"


@dataclass(frozen=True, slots=True)
class _Spot:
    """The place where reading stopped: the line, split there, and what tomllib says."""

    said: str
    number: int
    before: str
    rest: str

    def has(self, *words: str) -> bool:
        """Return whether tomllib's message has one of the words."""
        return any(w in self.said for w in words)


@dataclass(frozen=True, slots=True)
class _Guess:
    """What to say; `back` and `length` move the mark: columns before the spot, and its width."""

    message: str
    help: str
    label: str = ""
    back: int = 0
    length: int = 0
    code: str = "PS101"


def explain_syntax(source: SourceText, error: str) -> Finding:
    """Return the finding (PS101, PS102) for the message of a TOMLDecodeError."""
    spot = _spot(source, error)
    guess = next(filter(None, (rule(spot) for rule in _RULES)), None) or _fallback(spot)
    column = len(spot.before) + 1 - guess.back
    length = guess.length or _token_length(spot.rest)
    return Finding(
        guess.code, guess.message, source, Span(spot.number, column, spot.number, column + length),
        guess.label, (_NOTE,), guess.help,
    )


def _spot(source: SourceText, error: str) -> _Spot:
    lines = [line.rstrip("\r") for line in source.text.split("\n")]
    found = _PLACE.fullmatch(error)
    if not found:
        number = source.text.rstrip().count("\n") + 1
        said = error.removesuffix(" (at end of document)")
        return _Spot(said, number, lines[number - 1], "")
    number, column = int(found[2]), int(found[3])
    line = lines[number - 1]
    return _Spot(found[1], number, line[:column - 1], line[column - 1:])


def _token_length(rest: str) -> int:
    found = re.match(r"\w+|\S", rest)
    return found.end() if found else 1


# ---- Rules, the first that fits speaks ----------------------------------------------------------


def _merge_conflict(spot: _Spot) -> _Guess | None:
    if re.match(r"<{7}|={7}|>{7}", spot.before + spot.rest):
        return _Guess("a merge conflict was left in the file", "keep one side, and delete the "
                      "lines with `<<<<<<<`, `=======` and `>>>>>>>`", length=7)
    return None


def _taken_name(spot: _Spot) -> _Guess | None:
    if not spot.has("twice", "overwrite", "immutable", "redefine", "Duplicate"):
        return None
    start = len(spot.before) - len(spot.before.lstrip())
    line = (spot.before + spot.rest).strip()
    return _Guess("this meets a table or a value of the same name", "a table is written in one "
                  "place and in one way: as a header, in braces, or with points",
                  back=len(spot.before) - start, length=len(line), code="PS102")


def _foreign_comment(spot: _Spot) -> _Guess | None:
    found = re.match(r"//|/\*|;|--", spot.rest)
    if found and not spot.has("key part"):
        return _Guess(f"`{found[0]}` does not begin a comment", "comments begin with `#`",
                      length=len(found[0]))
    return None


def _control_character(spot: _Spot) -> _Guess | None:
    found = re.match(r"[\x00-\x08\x0b-\x1f\x7f]", spot.rest)
    if not found:
        return None
    code = ord(found[0])
    what = "a carriage return without a line feed" if code == 13 else f"U+{code:04X}"
    return _Guess(f"{what} cannot stand in a TOML file", "delete it; in a text between double "
                  f"quotes it is written `\\u{code:04X}`")


def _broken_text(spot: _Spot) -> _Guess | None:
    if spot.has("Unescaped", "Invalid hex value", "scalar value"):
        at = spot.before.rfind("\\")
        back = len(spot.before) - at if at >= 0 else 0
        return _Guess("a backslash begins an escape, and this is none", "write `\\\\` for a "
                      "backslash, or put the text between single quotes", back=back,
                      length=max(2, back))
    if spot.has("Illegal character", "Unterminated", "Expected \"'\"", "'\"\"\"'", '"\'\'\'"'):
        back = len(spot.before) - _open_quote(spot.before)
        return _Guess("the text has no closing quote", "end the text with the quote it begins with",
                      back=back, length=back)
    return None


def _open_quote(line: str) -> int:
    """Return where the text begins that is still open at the end of `line`, else its length."""
    opened, at = "", len(line)
    for index, character in enumerate(line):
        if not opened and character in "\"'":
            opened, at = character, index
        elif character == opened:
            opened, at = "", len(line)
    return at


def _missing_value(spot: _Spot) -> _Guess | None:
    if not spot.has("Invalid value") or not re.match(r"\s*(#|,|\}|\]|$)", spot.rest):
        return None
    key = re.search(r"([^\s,{}\[\]=]+)\s*=\s*$", spot.before)
    if key:
        back = len(spot.before) - key.start()
        return _Guess(f"`{key[1]}` has no value", "write a value behind the `=`, or take the line "
                      "out", back=back, length=len(key[0].rstrip()))
    return _Guess("a value is missing here", "write a value, or take the comma out")


def _odd_value(spot: _Spot) -> _Guess | None:
    if not spot.has("Invalid value"):
        return None
    word = re.match(r"[^\s,}\]#]+", spot.rest)
    text = word[0] if word else spot.rest[:1]
    if text.lower() in ("true", "false", "yes", "no", "on", "off"):
        right = "true" if text.lower() in ("true", "yes", "on") else "false"
        return _Guess(f"`{text}` is not a value", f"write `{right}` for a bool, or put a text in "
                      "quotes", length=len(text))
    if text.lower() in ("none", "null", "nil"):
        return _Guess(f"TOML has no `{text}`", "leave the key out", length=len(text))
    if text[0] in "“”„‘’«»`":
        return _Guess(f"`{text[0]}` does not begin a text", "use straight quotes: `\"`")
    if re.fullmatch(r"[+-]?\.\d+", text):
        return _Guess("a number cannot begin with its point",
                      f"write `{text.replace('.', '0.')}`", length=len(text))
    if re.match(r"[A-Za-z]", text):
        phrase = re.match(r"[^,}\]#]+", spot.rest)
        whole = (phrase[0] if phrase else text).rstrip()
        return _Guess("a text needs quotes", f'write `"{whole}"`', length=len(whole))
    return _Guess(f"`{text}` is not a value", "a value is a text in quotes, a number, a date, "
                  "`true`, `false`, an array in `[]` or a table in `{}`", length=len(text))


def _table_over_lines(spot: _Spot) -> _Guess | None:
    if spot.rest.strip() and not spot.rest.lstrip().startswith("#"):
        return None
    if spot.has("Unclosed inline table") or (
        spot.has("key part") and re.search(r"[{,]\s*$", spot.before)
    ):
        opening = spot.before.rfind("{")
        back = len(spot.before) - opening if opening >= 0 else 0
        return _Guess("a table in braces must end on the line it begins on",
                      "write it on one line, or as a table of its own: "
                      "`[group.NAME.parameter.NAME]` and one key a line below it",
                      back=back)
    return None


def _trailing_comma(spot: _Spot) -> _Guess | None:
    if spot.has("key part") and spot.rest.startswith("}") and spot.before.rstrip().endswith(","):
        back = len(spot.before) - len(spot.before.rstrip()) + 1
        return _Guess("a table in braces cannot end with a comma", "take the comma out",
                      back=back)
    return None


def _missing_comma(spot: _Spot) -> _Guess | None:
    if not spot.has("Unclosed"):
        return None
    array = spot.has("array")
    if (spot.before + spot.rest).count('"') % 2:
        return _Guess("a quote is missing before this", "look for a text with only one quote")
    if spot.rest.strip():
        what = "between the values of an array" if array else "between the keys of a table"
        return _Guess(f"a comma is missing {what}", "write `,` before this")
    sign = "]" if array else "}"
    return _Guess(f"`{sign}` is missing", f"close what was opened with `{'[' if array else '{'}`")


def _no_equals(spot: _Spot) -> _Guess | None:
    if not spot.has("'=' after a key"):
        return None
    if not spot.rest[:1].isascii():
        return _odd_letter(spot)
    decimals = re.search(r"([+-]?\d+),(\d+)\s*$", spot.before)
    if decimals:
        back = len(spot.before) - decimals.start()
        return _Guess("decimals are written with a point",
                      f"write `{decimals[1]}.{decimals[2]}`", back=back,
                      length=len(decimals[0].rstrip()))
    if spot.rest.startswith(":"):
        return _Guess("a key and its value are joined with `=`, not `:`", "write `=`")
    words = (spot.before + spot.rest).split("=")[0].split()
    if len(words) > 1 and "=" in spot.rest and all(re.fullmatch(r"[\w-]+", w) for w in words):
        return _Guess("a key is one word", f"write `{'_'.join(words)}`")
    return _Guess("`=` and a value are missing behind the key", "write `KEY = VALUE`; a comment "
                  "begins with `#`")


def _broken_number(spot: _Spot) -> _Guess | None:
    if not spot.has("newline or end of document", "Unclosed"):
        return None
    number = re.search(r"[+-]?\d[\d_.]*\s*$", spot.before)
    written = number[0].strip() if number else ""
    back = len(number[0]) if number else 0
    if number and re.match(r",\d", spot.rest):
        digits = re.match(r",(\d+)", spot.rest)
        tail = digits[1] if digits else ""
        return _Guess("decimals are written with a point", f"write `{written}.{tail}`",
                      back=back, length=back + 1 + len(tail))
    if written in ("0", "+0", "-0") and re.match(r"\d", spot.rest):
        tail = spot.rest[: _token_length(spot.rest)]
        return _Guess("a whole number cannot begin with 0", f"write `{tail.lstrip('0') or '0'}`; "
                      "hexadecimal numbers begin with `0x`", back=back, length=back + len(tail))
    if written == "0" and re.match(r"[XBO]", spot.rest):
        return _Guess(f"`0{spot.rest[0]}` is written in lower case",
                      f"write `0{spot.rest[0].lower()}`", back=back, length=2)
    if number and re.match(r"\.(\s|$|,|#)", spot.rest):
        return _Guess("a number cannot end with its point", f"write `{written}.0`", back=back,
                      length=back + 1)
    glued = re.match(r"[\w.:-]+", spot.rest)
    if glued and re.fullmatch(r"\d{4}-\d\d-\d\d.*|\d\d:\d\d.*", written + glued[0]):
        return _no_such_day(back, back + glued.end())
    if glued and re.fullmatch(r"\d+", written) and re.match(r"-\d", spot.rest):
        return _Guess("a date has four, two and two digits", "write it like `2026-01-31`",
                      back=back, length=back + glued.end())
    if glued and number and number[0] == written and re.match(r"[xobeE_:.]", spot.rest):
        whole = written + glued[0]
        return _Guess(f"`{whole}` is not a number", "look for a character too many",
                      back=back, length=len(whole))
    if number and re.match(r"[A-Za-z%°µ]", spot.rest) and not re.match(r"\w+\s*=", spot.rest):
        unit = re.match(r"[^\s,#}\]]+", spot.rest)
        return _Guess("a number has no unit here", "leave the unit out; that of a parameter is "
                      'given once, as `unit = "V"`', length=unit.end() if unit else 1)
    return None


def _behind_a_value(spot: _Spot) -> _Guess | None:
    if not spot.has("newline or end of document"):
        return None
    if re.match(r"\w+\s*=", spot.rest):
        return _Guess("a second key on the same line", "begin a new line for it")
    return _Guess("something follows the value", "begin a new line, or put it behind `#`",
                  length=len(spot.rest.rstrip()))


def _header(spot: _Spot) -> _Guess | None:
    line = spot.before + spot.rest
    if spot.has("end of a table declaration", "end of an array declaration"):
        if " " in spot.before.strip() or spot.rest.strip(" ]"):
            return _Guess("a header is names joined by points", "write `[group.NAME]`; a name is "
                          "one word")
        return _Guess("the header is not closed", "end it with `]`")
    if spot.has("key part") and re.match(r"\s*\[", line) and "=" not in line:
        return _Guess("a name is missing in the header", "write `[group.NAME]`")
    return None


def _odd_key(spot: _Spot) -> _Guess | None:
    if not spot.has("key part", "Invalid statement"):
        return None
    if not spot.rest[:1].isascii():
        return _odd_letter(spot)
    if spot.rest.startswith("="):
        return _Guess("a key is missing before `=`", "write `KEY = VALUE`")
    if re.match(r"[\]}),]", spot.rest):
        return _Guess(f"`{spot.rest[0]}` closes nothing here", "take it out, or look for the "
                      "bracket that it belongs to")
    return None


def _odd_letter(spot: _Spot) -> _Guess:
    return _Guess(f"`{spot.rest[0]}` cannot stand in a key", "keys use the letters a to z, digits "
                  "and `_`", length=1)


def _bad_date(spot: _Spot) -> _Guess | None:
    if not spot.has("date"):
        return None
    found = re.match(r"[\d:.TtZz+-]+", spot.rest)
    return _no_such_day(0, found.end() if found else 1)


def _no_such_day(back: int, length: int) -> _Guess:
    return _Guess("there is no such day or time", "write dates as year-month-day: `2026-01-31`, "
                  "times as `23:59:00`", back=back, length=length)


_RULES: tuple[Callable[[_Spot], _Guess | None], ...] = (
    _merge_conflict, _control_character, _taken_name, _broken_text, _foreign_comment,
    _missing_value, _odd_value, _table_over_lines, _trailing_comma, _broken_number, _missing_comma,
    _no_equals, _behind_a_value, _header, _odd_key, _bad_date,
)  # fmt: skip


def _fallback(spot: _Spot) -> _Guess:
    return _Guess(f"the text is not TOML from here on: {spot.said[:1].lower()}{spot.said[1:]}",
                  "a line is `KEY = VALUE`, a header `[NAME]` or a comment `# ...`")
