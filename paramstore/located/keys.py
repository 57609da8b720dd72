"""What a TOML table may hold, as data, and what is wrong with a table.

One table of keys serves the checks of a reader (`validator`), the JSON Schema for editors
(`json_schema`) and the tables of the documents. Knows no place in a text, and no rule between keys.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, NamedTuple, TypeAlias

from paramstore.core.text import Json, first_unprintable
from paramstore.core.words import code_list, did_you_mean, near_words, show_number, type_of

__all__ = [
    "BOOL",
    "INTEGER",
    "NAMES",
    "NUMBER",
    "TABLE",
    "TEXT",
    "TEXTS",
    "VALUE",
    "GuessKey",
    "Key",
    "KeyPath",
    "Keys",
    "Problem",
    "TableCheck",
    "TomlTable",
    "TomlValue",
    "ValueForm",
    "check_table",
    "is_number",
    "key_table",
    "range_problem",
]

KeyPath = tuple[str | int, ...]
"""The way from the root of a document to a value: table keys and array indexes."""

TomlValue: TypeAlias = (
    "bool | int | float | Decimal | str | date | datetime | time | list[TomlValue] | TomlTable")
"""A value as tomllib makes it; a float is a Decimal where a reader asks for its digits."""

TomlTable: TypeAlias = "dict[str, TomlValue]"


class ValueForm(NamedTuple):
    """What a key takes in TOML: `words` name it in a message, `fits` tells whether a value is one,
    `json` is the JSON Schema of it."""

    words: str
    fits: Callable[[TomlValue], bool]
    json: Mapping[str, Json]


def is_number(value: TomlValue) -> bool:
    """Return whether a value is a number; true and false are none."""
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool)


def _is_integer(value: TomlValue) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_texts(value: TomlValue) -> bool:
    return isinstance(value, list) and all(isinstance(each, str) for each in value)


TEXT = ValueForm("a text", lambda value: isinstance(value, str), {"type": "string"})
INTEGER = ValueForm("a whole number", _is_integer, {"type": "integer"})
NUMBER = ValueForm("a number", is_number, {"type": "number"})
BOOL = ValueForm("true or false", lambda value: isinstance(value, bool), {"type": "boolean"})
TABLE = ValueForm("a table", lambda value: isinstance(value, dict), {"type": "object"})
NAMES = ValueForm("an array of names", _is_texts, {"type": "array", "items": {"type": "string"}})
TEXTS = ValueForm("an array of texts", _is_texts, {"type": "array", "items": {"type": "string"}})
VALUE = ValueForm("a value", lambda _: True, {})
"""Any value: what it must be depends on another key."""


class Key(NamedTuple):
    """One key. `low` and `high` bound a number, `also` are values outside of these that it may
    have; `choices` are all values that it may have, each a `noun`. `code` is the finding for any
    other value, `why` a note of it. `json` is what its JSON Schema says beyond all this."""

    name: str
    form: ValueForm
    doc: str
    example: str
    required: bool = False
    default: Any = None
    low: float | None = None
    high: float | None = None
    code: str = ""
    why: str = ""
    also: tuple[int, ...] = ()
    choices: tuple[str | int, ...] = ()
    noun: str = ""
    json: Mapping[str, Json] = {}


Keys = Mapping[str, Key]
"""The keys of a table by name."""


def key_table(*keys: Key) -> dict[str, Key]:
    """Return keys by their names."""
    return {key.name: key for key in keys}


class Problem(NamedTuple):
    """One mistake in a table. `path` leads there from the table: () is the table as a whole.
    `at_key`: the last key of the path is wrong, not its value."""

    code: str
    message: str
    help: str = ""
    notes: tuple[str, ...] = ()
    label: str = ""
    path: KeyPath = ()
    at_key: bool = False


GuessKey = Callable[[str, TomlValue], tuple[str, str] | None]
"""Takes an unknown key and its value, returns the key that was meant and help, if it can tell."""


class TableCheck(NamedTuple):
    """What a table holds: `values` has what is usable, `spoilt` the keys that were meant but are
    wrong or missing."""

    values: TomlTable
    spoilt: set[str]
    problems: list[Problem]


def check_table(
    data: TomlTable,
    keys: Keys,
    what: str,
    *,
    allowed: Collection[str] | None = None,
    aliases: Mapping[str, str] | None = None,
    guess: GuessKey | None = None,
) -> TableCheck:
    """Check a table, called `what` in messages, against its keys.

    Keys outside of `allowed` (default: all of `keys`) are not asked for; if they are there, the
    caller says why they do not belong. `aliases` are words that a person may try for a key; `guess`
    is asked about keys that look like none of them.
    """
    allowed = keys.keys() if allowed is None else allowed
    check = TableCheck({}, set(), [])
    for name, value in data.items():
        if name not in keys:
            open_keys = [k for k in allowed if k not in data]
            meant, help = _meant(name, value, open_keys, aliases or {}, guess)
            if meant:
                # The key that was meant is there, only misspelt: nothing else is said about it.
                check.spoilt.add(meant)
            check.problems.append(Problem(
                "PS104", f"{what} has no key `{name}`", help, path=(name,), at_key=True))
        elif problem := _value_problem(keys[name], value):
            check.spoilt.add(name)
            check.problems.append(problem._replace(path=(name,)))
        else:
            check.values[name] = value
    for key in (keys[name] for name in allowed if keys[name].required):
        if key.name not in check.values and key.name not in check.spoilt:
            check.spoilt.add(key.name)
            check.problems.append(Problem(
                "PS105", f"{what} has no `{key.name}`", f"add `{key.example}`",
                (key.doc[0].lower() + key.doc[1:].rstrip("."),), at_key=True))
    return check


def _meant(name: str, value: TomlValue, open_keys: list[str], aliases: Mapping[str, str],
           guess: GuessKey | None) -> tuple[str, str]:
    """Return which key an unknown one was meant to be, or "", and help."""
    alias = aliases.get(name.lower())
    if alias is not None and alias in open_keys:
        return alias, f"the key is called `{alias}`"
    if near := near_words(name, open_keys):
        return near[0], did_you_mean(name, open_keys)
    return (guess and guess(name, value)) or ("", f"it can also have {code_list(open_keys)}")


def _value_problem(key: Key, value: TomlValue) -> Problem | None:
    """Return what is wrong with the value of a key by itself."""
    if not key.form.fits(value):
        return Problem("PS106", f"`{key.name}` must be {key.form.words}, not {type_of(value)}",
                       f"write it like `{key.example}`")
    if isinstance(value, str) and key.form is TEXT and (problem := _print_problem(key, value)):
        return problem
    if key.choices and value not in key.choices:
        return _choice_problem(key, value)
    if key.low is None or key.high is None or value in key.also:
        return None
    return range_problem(key, value, key.low, key.high, key.code)


def _choice_problem(key: Key, value: TomlValue) -> Problem:
    if key.noun:
        help = did_you_mean(str(value), [str(c) for c in key.choices], f"the {key.noun}s")
        return Problem(key.code, f"there is no {key.noun} `{value}`", help, (key.why,))
    choices = ", ".join(f'"{c}"' if isinstance(c, str) else str(c) for c in key.choices)
    return Problem(key.code, f"`{key.name}` cannot be {value}", f"use one of {choices}", (key.why,))


def _print_problem(key: Key, text: str) -> Problem | None:
    """Return a problem for what does not print: texts go into reports, comments of C and values
    files."""
    several = "\n\r\t" if key.name == "doc" else ""
    if not (bad := first_unprintable(text, several)):
        return None
    note = "it could hide or forge lines where the text is shown"
    return Problem(
        "PS112", f"`{key.name}` has a character that does not print, U+{ord(bad):04X}",
        "type the text anew, in letters, signs and blanks",
        (note + ("; a `doc` may have line ends and tabs" if several else ""),))


def range_problem(key: Key, value: TomlValue, low: float, high: float,
                  code: str) -> Problem | None:
    """Return a problem for a number that is not within `low` to `high`, both included."""
    # A float such as 0.1 is a little beside the number that a person writes.
    number = Decimal(str(value))
    if number.is_finite() and Decimal(repr(low)) <= number <= Decimal(repr(high)):
        return None
    shown, least, most = (_plain(n, key) for n in (number, low, high))
    return Problem(code, f"`{key.name}` = {shown} is not within {least} to {most}",
                   f"give a value from {least} to {most}", (key.why,))


def _plain(value: Decimal | float, key: Key) -> str:
    if key.name == "address":
        return f"0x{int(value):02X}"
    return show_number(value)
