"""Errors and findings: what went wrong, as data.

Everything the library raises on purpose descends from `ParamstoreError`. What a person can mend
in an input file is a `Finding`; wording is decided where the finding is made, layout, colour and
JSON only in `report`. This module knows no file format and prints nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from typing import NamedTuple, TypedDict

from paramstore.core.words import did_you_mean

__all__ = [
    "Code",
    "Finding",
    "FindingsError",
    "ParamstoreError",
    "Remarks",
    "Severity",
    "SourceText",
    "Span",
    "ToolError",
    "all_codes",
    "errors_in",
    "explain_code",
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


class Remarks(TypedDict, total=False):
    """What a finding may say beside its message, see `Finding`."""

    label: str
    notes: tuple[str, ...]
    help: str
    also: tuple[tuple[Span, str], ...]
    severity: Severity


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


class Code(NamedTuple):
    """A kind of finding: a short title, and paragraphs of text; examples are set in by four."""

    title: str
    explain: str


@cache
def all_codes() -> dict[str, Code]:
    """Return every code by its name, in order, from `codes.toml`.

    The first digit says what a finding is about: 1 to 3 a schema, 4 a layout, 5 values, 6 images
    and dumps, 7 C and releases, 8 calibrations, 9 production and parts on a bus.
    """
    import tomllib  # only for explanations
    from importlib.resources import files

    text = (files("paramstore.core") / "codes.toml").read_text("utf-8")
    return {name: Code(code["title"], _paragraphs(code["explain"]))
            for name, code in tomllib.loads(text).items()}


def _paragraphs(text: str) -> str:
    """Return the text with the lines of each paragraph joined, but not those of examples."""
    return "\n\n".join(block if block.startswith("    ") else " ".join(block.split("\n"))
                       for block in text.split("\n\n"))


def explain_code(name: str) -> Code:
    """Return the code called `name`, in either case; ToolError if there is none."""
    codes = all_codes()
    code = codes.get(name.strip().upper())
    if code is None:
        raise ToolError(
            f"there is no finding `{name}`",
            did_you_mean(name.upper(), list(codes)) or "the codes are PS100 and up",
        )
    return code
