"""Where the mistakes of one document are collected, and tables checked against their keys.

Knows tables of keys and places in text; knows no rule between keys.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, Unpack

from paramstore.core.errors import Finding, FindingsError, Remarks, Span, errors_in
from paramstore.core.words import type_of
from paramstore.located.keys import (
    GuessKey,
    KeyPath,
    Keys,
    Problem,
    TomlTable,
    TomlValue,
    check_table,
)
from paramstore.located.source import Document

__all__ = ["CheckedTable", "Validator"]


@dataclass(slots=True)
class Validator:
    """Collects the findings of one document. `aliases` are words that a person may try for a key,
    for suggestions only."""

    document: Document
    aliases: Mapping[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)

    def add(self, code: str, message: str, span: Span | None, **more: Unpack[Remarks]) -> None:
        """Add a finding; empty notes are dropped."""
        if "notes" in more:
            more["notes"] = tuple(filter(None, more["notes"]))
        self.findings.append(Finding(code, message, self.document.source, span, **more))

    def add_problem(self, problem: Problem, base: KeyPath) -> None:
        """Add the finding for a problem of the table or value at `base`."""
        path = (*base, *problem.path)
        place = self.key if problem.at_key else self.value
        self.add(problem.code, problem.message, place(*path) if path else None,
                 label=problem.label, notes=problem.notes, help=problem.help)

    def sound_findings(self) -> tuple[Finding, ...]:
        """Return the warnings, sorted by place; FindingsError with all findings if one of them is
        an error."""
        if errors_in(self.findings):
            raise FindingsError(self.findings)
        return tuple(sorted(self.findings, key=lambda f: f.sort_key))

    def key(self, *path: str | int) -> Span:
        """Return the place of the last key of a path."""
        return self.document.key_span(path)

    def value(self, *path: str | int) -> Span:
        """Return the place of the value at a path."""
        return self.document.value_span(path)

    def at(self, path: KeyPath) -> Any:
        """Return the value at a path, which is there."""
        data: Any = self.document.data
        for step in path:
            data = data[step]
        return data

    def table(
        self,
        path: KeyPath,
        keys: Keys,
        what: str,
        *,
        allowed: Collection[str] | None = None,
        example: str = "",
        guess: GuessKey | None = None,
    ) -> CheckedTable | None:
        """Check the table at `path` against its keys; None, with a finding, if it is none. For
        `what`, `allowed` and `guess` see `check_table`; `example` shows how such a table begins."""
        data: TomlValue = self.at(path)
        if not isinstance(data, dict):
            self.add("PS106", f"{what} must be a table, not {type_of(data)}", self.value(*path),
                     help=f"write `{example}`")
            return None
        check = check_table(data, keys, what, allowed=allowed, aliases=self.aliases, guess=guess)
        for problem in check.problems:
            self.add_problem(problem, path)
        return CheckedTable(self, path, what, data, check.values, check.spoilt)


@dataclass(slots=True)
class CheckedTable:
    """A table that was checked. `values` has what is usable, `spoilt` the keys that were meant but
    are wrong."""

    validator: Validator
    path: KeyPath
    what: str
    data: TomlTable
    values: TomlTable
    spoilt: set[str]

    def given(self, name: str) -> bool:
        """Return whether the key is there, right or wrong."""
        return name in self.values or name in self.spoilt

    def get(self, name: str, default: Any = None) -> Any:
        """Return a usable value, whose type the form of its key says, or `default`."""
        return self.values.get(name, default)

    def add(self, code: str, message: str, span: Span | None, **more: Unpack[Remarks]) -> None:
        """Add a finding; see `Validator.add`."""
        self.validator.add(code, message, span, **more)

    def inner(self, name: str, keys: Keys, what: str) -> CheckedTable | None:
        """Check the table at a key of this one; see `Validator.table`. None as well if the key was
        meant under another name, which is a finding already."""
        if name not in self.data:
            return None
        return self.validator.table((*self.path, name), keys, what)

    def key(self, *path: str | int) -> Span:
        """Return the place of a key; without a path that of the table's own key."""
        return self.validator.key(*self.path, *path)

    def span(self, *path: str | int) -> Span:
        """Return the place of a value, of the whole table if it is not there."""
        return self.validator.value(*self.path, *path)

    def spoil(self, name: str) -> None:
        """Mark a value as unusable after a finding about it."""
        self.values.pop(name, None)
        self.spoilt.add(name)
