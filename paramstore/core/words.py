"""Small helpers for wording: lists, suggestions, the names of TOML types.

Knows no rule of a schema.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, time
from decimal import Decimal

__all__ = ["address_range", "code_list", "did_you_mean", "near_words", "ordinal", "plural",
           "show_number", "type_of"]

_SUGGESTIONS = 3
_LISTED = 17


def code_list(names: Iterable[object], last: str = "and", most: int = _LISTED) -> str:
    """Return names in backticks, "`a`, `b` and `c`"; the rest counted beyond `most`."""
    quoted = [f"`{n}`" for n in names]
    if len(quoted) > most:
        quoted[most:] = [f"{len(quoted) - most} more"]
        last = "and"
    if len(quoted) < 2:
        return "".join(quoted)
    return f"{', '.join(quoted[:-1])} {last} {quoted[-1]}"


def near_words(word: str, known: Sequence[str]) -> list[str]:
    """Return the known words that look like `word`, nearest first."""
    import difflib  # not needed for what is spelt right

    folded = {k.casefold(): k for k in reversed(known)}
    near = difflib.get_close_matches(word.casefold(), folded, n=_SUGGESTIONS, cutoff=0.6)
    return [folded[n] for n in near]


def did_you_mean(word: str, known: Sequence[str], what: str = "") -> str:
    """Return help for a misspelt word: near words, or else all of them after `what`."""
    near = near_words(word, known)
    if near:
        return f"did you mean {code_list(near, 'or')}?"
    return f"{what} are {code_list(known)}" if known and what else ""


def plural(count: int, noun: str) -> str:
    """Return "1 byte", "2 bytes"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def ordinal(number: int) -> str:
    """Return "1st", "2nd", "3rd", "4th", "11th"."""
    tail = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{tail}"


def address_range(first: int, end: int) -> str:
    """Return the addresses from `first` to before `end` in hexadecimal; a single one alone."""
    return f"0x{first:04X}" + (f" to 0x{end - 1:04X}" if end - first > 1 else "")


def show_number(value: Decimal | float) -> str:
    """Return a number in plain decimal notation, in scientific notation where that is long."""
    number = value if isinstance(value, Decimal) else Decimal(repr(value))
    if not number.is_finite():
        return str(number).lower().replace("infinity", "inf")
    if number == 0:
        return "0"
    exponent = number.adjusted()
    if -7 <= exponent <= 20:
        text = f"{number:f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    shortest = "".join(map(str, number.as_tuple().digits)).rstrip("0")
    text = shortest[0] + ("." + shortest[1:] if len(shortest) > 1 else "") + f"e{exponent}"
    return "-" + text if number.is_signed() else text


def type_of(value: object) -> str:
    """Return what a TOML value is, with its article: "a text", "a whole number"."""
    match value:
        case bool():
            return "true or false"
        case int():
            return "a whole number"
        case Decimal() | float():
            return "a decimal number"
        case str():
            return "a text"
        case list():
            return "an array"
        case dict():
            return "a table"
        case datetime():
            return "a date with a time"
        case date():
            return "a date"
        case time():
            return "a time"
        case _:
            return f"a {type(value).__name__}"
