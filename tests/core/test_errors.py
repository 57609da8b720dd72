"""Findings: quoted lines, and their order."""

from __future__ import annotations

import pytest

from paramstore.core.errors import Finding, FindingsError, Severity, SourceText, Span, errors_in


@pytest.mark.parametrize(("number", "line"), [
    (-1, ""), (0, ""), (1, "one"), (2, "two"), (3, "last"), (4, "")])
def test_lines_count_from_1(number: int, line: str) -> None:
    """Without their ends; what is no line is empty."""
    assert line == SourceText("a", "one\r\ntwo\nlast").line(number)


def test_findings_are_sorted_by_place() -> None:
    """File, line, column, code; one without a place comes first in its file."""
    files = [SourceText(name, "") for name in "ab"]
    wanted = [Finding("PS9", "no file"), Finding("PS9", "no place", files[0]),
              *(Finding(code, "x", file, Span(line, column, line, column + 1))
                for file in files for line in (2, 10) for column in (1, 3)
                for code in ("PS1", "PS2"))]
    error = FindingsError(reversed(wanted))
    assert tuple(wanted) == error.findings
    assert str(error).startswith("[PS9] no file; [PS9] no place; [PS1] x")


def test_warnings_stop_nothing() -> None:
    """Only errors do."""
    error, warning = Finding("PS1", "a"), Finding("PS2", "b", severity=Severity.WARNING)
    assert (error,) == errors_in([warning, error])
