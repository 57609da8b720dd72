"""Where the mistakes of one document are collected, and tables checked against their keys.

Knows tables of keys and places in text; knows no rule between keys.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from paramstore.core.errors import Finding, Severity, Span
from paramstore.core.text import first_unprintable
from paramstore.core.words import code_list, did_you_mean, near_words, show_number, type_of
from paramstore.located.source import Document, Path
from paramstore.schema.keys import ALIASES, Form, Key
from paramstore.schema.quantity import ValueProblem

__all__ = ["Desk", "Table", "value_code"]

_PROBLEM_CODES = {
    "type": "PS106", "fit": "PS204", "limit": "PS205", "member": "PS213", "text": "PS214",
    "length": "PS214", "whole": "PS215", "finite": "PS215", "date": "PS216", "count": "PS217",
    "rising": "PS218", "unit": "PS224",
}  # fmt: skip


Stray = Callable[[str, Any], tuple[str, str] | None]
"""Takes an unknown key and its value, returns the key that was meant and help, if it can tell."""


def value_code(problem: ValueProblem) -> str:
    """Return the code of a value that cannot be stored."""
    return _PROBLEM_CODES[problem.kind]


@dataclass(slots=True)
class Desk:
    """Collects the findings of one document."""

    document: Document
    findings: list[Finding] = field(default_factory=list)

    def add(
        self,
        code: str,
        message: str,
        span: Span | None,
        *,
        label: str = "",
        notes: Iterable[str] = (),
        help: str = "",
        also: tuple[tuple[Span, str], ...] = (),
        severity: Severity = Severity.ERROR,
    ) -> None:
        """Add a finding; empty notes are dropped."""
        self.findings.append(Finding(
            code, message, self.document.source, span, label, tuple(filter(None, notes)), help,
            also, severity,
        ))

    def key(self, *path: str | int) -> Span:
        """Return the place of the last key of a path."""
        return self.document.key_span(path)

    def value(self, *path: str | int) -> Span:
        """Return the place of the value at a path."""
        return self.document.value_span(path)

    def problem(self, problem: ValueProblem, path: Path, code: str = "") -> None:
        """Add the finding for a value below `path` that cannot be stored."""
        self.add(
            code or value_code(problem), problem.message, self.value(*path, *problem.path),
            label=problem.label, notes=problem.notes, help=problem.help,
        )

    def table(
        self,
        path: Path,
        keys: Mapping[str, Key],
        what: str,
        *,
        allowed: Collection[str] | None = None,
        example: str = "",
        stray: Stray | None = None,
    ) -> Table | None:
        """Check the table at `path` against its keys; None, with a finding, if it is none.

        `what` names it in messages. Keys outside of `allowed` (default: all of `keys`) are not
        asked for; if they are there, the caller says why they do not belong. `stray` is asked
        about keys that look like none of them.
        """
        data: Any = self.document.data
        for step in path:
            data = data[step]
        if not isinstance(data, dict):
            self.add("PS106", f"{what} must be a table, not {type_of(data)}", self.value(*path),
                     help=f"write `{example}`")
            return None
        table = Table(self, path, what, data)
        table.check(keys, keys.keys() if allowed is None else allowed, stray)
        return table


@dataclass(slots=True)
class Table:
    """A checked table. `values` has what is usable, `spoilt` the keys that were meant but wrong."""

    desk: Desk
    path: Path
    what: str
    data: dict[str, Any]
    values: dict[str, Any] = field(default_factory=dict)
    spoilt: set[str] = field(default_factory=set)

    def given(self, name: str) -> bool:
        """Return whether the key is there, right or wrong."""
        return name in self.values or name in self.spoilt

    def get(self, name: str, default: Any = None) -> Any:
        """Return a usable value, or `default`."""
        return self.values.get(name, default)

    def span(self, name: str) -> Span:
        """Return the place of a value, of the whole table if the key is not there."""
        return self.desk.value(*self.path, name)

    def spoil(self, name: str) -> None:
        """Mark a value as unusable after a finding about it."""
        self.values.pop(name, None)
        self.spoilt.add(name)

    def check(
        self, keys: Mapping[str, Key], allowed: Collection[str], stray: Stray | None
    ) -> None:
        """Sort the keys into usable and spoilt ones, with a finding for each mistake."""
        for name in self.data:
            if name not in keys:
                self._unknown(name, allowed, stray)
            elif self._usable(keys[name], self.data[name]):
                self.values[name] = self.data[name]
            else:
                self.spoilt.add(name)
        for name in allowed:
            if keys[name].required and not self.given(name):
                self.spoilt.add(name)
                self.desk.add(
                    "PS105", f"{self.what} has no `{name}`", self._own_span(),
                    notes=(keys[name].doc[0].lower() + keys[name].doc[1:].rstrip("."),),
                    help=f"add `{keys[name].example}`",
                )

    def _own_span(self) -> Span | None:
        return self.desk.key(*self.path) if self.path else None

    def _unknown(self, name: str, allowed: Collection[str], stray: Stray | None) -> None:
        open_keys = [k for k in allowed if k not in self.data]
        alias = ALIASES.get(name.lower())
        if alias is not None and alias in open_keys:
            meant, help = alias, f"the key is called `{alias}`"
        else:
            near = near_words(name, open_keys)
            meant = near[0] if near else ""
            help = did_you_mean(name, open_keys) or f"it can also have {code_list(open_keys)}"
            if not near and stray:
                meant, help = stray(name, self.data[name]) or (meant, help)
        if meant:
            # The key that was meant is there, only misspelt: nothing else is said about it.
            self.spoilt.add(meant)
        self.desk.add("PS104", f"{self.what} has no key `{name}`", self.desk.key(*self.path, name),
                      help=help)

    def _usable(self, key: Key, value: Any) -> bool:
        span = self.span(key.name)
        if not _has_form(key.form, value):
            self.desk.add(
                "PS106", f"`{key.name}` must be {key.form.value}, not {type_of(value)}", span,
                help=f"write it like `{key.example}`",
            )
            return False
        if key.form is Form.TEXT and not self._prints(key, value):
            return False
        if key.low is None or key.high is None or _within(key.low, value, key.high):
            return True
        low, high = (_plain(bound, key) for bound in (key.low, key.high))
        self.desk.add(
            key.code, f"`{key.name}` = {_plain(value, key)} is not within {low} to {high}", span,
            notes=(key.why,), help=f"give a value from {low} to {high}",
        )
        return False

    def _prints(self, key: Key, value: str) -> bool:
        """Return whether a text prints: it goes into reports, comments of C and values files."""
        several = "\n\r\t" if key.name == "doc" else ""
        if not (bad := first_unprintable(value, several)):
            return True
        self.desk.add(
            "PS112", f"`{key.name}` has a character that does not print, U+{ord(bad):04X}",
            self.span(key.name),
            notes=("it could hide or forge lines where the text is shown" + (
                "; a `doc` may have line ends and tabs" if several else ""),),
            help="type the text anew, in letters, signs and blanks")
        return False


def _has_form(form: Form, value: Any) -> bool:
    match form:
        case Form.TEXT:
            return isinstance(value, str)
        case Form.INTEGER:
            return isinstance(value, int) and not isinstance(value, bool)
        case Form.NUMBER:
            return isinstance(value, int | Decimal) and not isinstance(value, bool)
        case Form.TABLE:
            return isinstance(value, dict)
        case Form.MEMBERS:
            return isinstance(value, list | dict)
        case Form.PART | Form.TARGET:
            return isinstance(value, str | dict)
        case Form.NAMES | Form.TEXTS:
            return isinstance(value, list) and all(isinstance(name, str) for name in value)
        case Form.BOOL:
            return isinstance(value, bool)
        case Form.VALUE:
            return True


def _within(low: float, value: int | Decimal, high: float) -> bool:
    # A float such as 0.1 is a little beside the number that a person writes.
    return (Decimal(value).is_finite()
            and Decimal(repr(low)) <= value <= Decimal(repr(high)))


def _plain(value: Any, key: Key) -> str:
    if key.name == "address":
        return f"0x{value:02X}"
    return show_number(value if isinstance(value, float) else Decimal(value))
