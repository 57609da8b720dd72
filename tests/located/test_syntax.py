"""Broken TOML: what is said of each mistake that people make, and what is marked."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.errors import Finding, FindingsError, SourceText
from paramstore.located.source import load_document
from paramstore.report.findings import findings_text
from tests.goldens import golden

GOLDEN = Path(__file__).parent / "golden" / "syntax.txt"

MISTAKES = (
    "<<<<<<< HEAD\na = 1", "a = 1\n=======\n", "a = 1\n>>>>>>> x", "a = '\x07'", "a = 1\rb = 2",
    "a.b = 1\n[a]\n", "a = 1\na.b = 2", "a = {}\n[a.b]\nc = 1", "[a]\n[a]\n",
    # Comments
    "a = 1 // note", "a = 1 ; note", "// note", "a = 1 -- note", "/* x */", "a = 1 /* x */",
    # Texts
    r'a = "C:\data"', r'a = "\u12G4"', r'a = "\ud800"', 'a = "open', "a = 'open\nb = 1",
    'a = "x" b = "y', "a = '''\nx", "a = \"it's",
    # Values
    "a =", "a = # c", "a = [1, , 2]", "a = { b = , c = 1 }", "a = { b = }", "a.b = ",
    "a = True", "a = yes", "a = no", "a = on", "a = OFF", "a = none", "a = NULL", "a = nil",
    "a = “x”", "a = .5", "a = -.5", "a = piston", "a = dosing pump # x", "a = [piston]", "a = @x",
    "a = %",
    # Tables and arrays
    "a = {\nb = 1 }", "a = { b = 1,\nc = 2 }", "a = { b = 1, }", "a = { b = 1,  }", "a = [1 2]",
    "a = { b = 1 c = 2 }", "a = [1, 2", "a = { b = 1", 'a = ["x, "y"]', "a = [1 # c",
    "a = [\n{ b = 1,\nc = 2 }]",
    # Keys
    "ä = 1", "a b = 1", "a 1", "a: 1", "a, b = 1", "1,5", "a", "= 1", "] x", "}", ", a = 1", ")",
    "€ = 1", "a.ü = 1", "!", "!ä = 1", "a = 1\n\n?", "aüx = 1", "a bcd", "a = 1\x0b",
    r'a = "\q"', "a = ab\x07c", "1,56 = 2", 'a b = "ü"',
    # Numbers and dates
    "a = 1,5", "a = [1,5 2]", "a = 007", "a = 00", "a = 0X1F", "a = 0B1", "a = 1.", "a = -2. # x",
    "a = 1e", "a = 1__0", "a = 1.2.3", "a = 5 V", "a = 5V", "a = 20°C", "a = 5 %",
    "a = [1, 5 mV]", "a = 2026-1-31", "a = 2026-02-30", "a = 2026-13-01", "a = 25:00:00",
    "a = 12:30:99",
    # Lines and headers
    "a = 1 b = 2", "a = 'x' y", "a = true x", "[a]b", "[a b]", "[a", "[[a]", "[]", "[a.]", "[.a]",
)


def finding(text: str) -> Finding:
    with pytest.raises(FindingsError) as caught:
        load_document(SourceText("a.toml", text))
    (found,) = caught.value.findings
    return found


def test_messages_are_those_that_were_read_and_approved() -> None:
    """Each mistake gives exactly the message that is kept, at its place."""
    text = "\n".join(f"==== {text!r}\n{findings_text([finding(text)])}" for text in MISTAKES)
    assert golden(GOLDEN, text) == text


@pytest.mark.parametrize("text", MISTAKES)
def test_the_mark_lies_in_its_line(text: str) -> None:
    """Or just behind its end, where something is missing."""
    found = finding(text)
    assert found.span is not None and found.source is not None
    line = text.split("\n")[found.span.line - 1]
    assert 1 <= found.span.column < found.span.end_column <= len(line) + 2
    assert found.span.line == found.span.end_line


@pytest.mark.parametrize("before", ["", "x = 1\n", "# é\n\n[t]\n"])
def test_the_place_counts_from_the_beginning(before: str) -> None:
    """Whatever lines come before it."""
    for text, column in (("a = .5", 5), ("a = [1", 7)):
        alone, later = finding(text), finding(f"{before}{text}")
        assert alone.span is not None and later.span is not None
        assert later.span.line == alone.span.line + before.count("\n")
        assert later.span.column == alone.span.column == column
