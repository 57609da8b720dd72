"""Errors and findings: what went wrong, as data.

Everything the library raises on purpose descends from `ParamstoreError`. What a person can mend
in an input file is a `Finding`; wording is decided where the finding is made, layout, colour and
JSON only in `report`. This module knows no file format and prints nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

__all__ = [
    "Finding",
    "FindingsError",
    "ParamstoreError",
    "Severity",
    "SourceText",
    "Span",
    "ToolError",
    "errors_in",
]


class ParamstoreError(Exception):
    """Root of every error the library raises on purpose."""


class ToolError(ParamstoreError):
    """The work could not be started or ended: a missing file, no compiler, a full disk.

    `message` says what is wrong, `help` how to mend it.
    """

    def __init__(self, message: str, help: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.help = help


class Severity(StrEnum):
    """How much a finding matters: an error stops the work, a warning does not."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class SourceText:
    """The text of an input file, kept so that a finding can quote it."""

    path: str
    text: str = field(repr=False)

    def line(self, number: int) -> str:
        """Return line `number` (1-based) without its line end; "" past the end."""
        lines = self.text.split("\n")
        return lines[number - 1].rstrip("\r") if 0 < number <= len(lines) else ""


class Span(NamedTuple):
    """A stretch of text: lines and columns count from 1 in characters; the end is exclusive."""

    line: int
    column: int
    end_line: int
    end_column: int


@dataclass(frozen=True, slots=True)
class Finding:
    """One mistake or warning.

    `message` stands alone: lower case first letter, no full stop, names in backticks. `label` is
    the short text beside the mark under the span. `notes` are facts, `help` says how to mend it.
    `also` points at other places that take part ("once here"), each with its own label.
    """

    code: str
    message: str
    source: SourceText | None = None
    span: Span | None = None
    label: str = ""
    notes: tuple[str, ...] = ()
    help: str = ""
    also: tuple[tuple[Span, str], ...] = ()
    severity: Severity = Severity.ERROR

    @property
    def sort_key(self) -> tuple[str, int, int, str]:
        """Order of findings in a report: file, line, column, code."""
        path = self.source.path if self.source else ""
        return (path, self.span.line if self.span else 0, self.span.column if self.span else 0,
                self.code)


class FindingsError(ParamstoreError):
    """An input holds mistakes; `findings` has all of them, sorted by place."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(sorted(findings, key=lambda f: f.sort_key))
        super().__init__("; ".join(f"[{f.code}] {f.message}" for f in self.findings))


def errors_in(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return only the findings that stop the work."""
    return tuple(f for f in findings if f.severity is Severity.ERROR)
