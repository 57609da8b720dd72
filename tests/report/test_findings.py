"""How findings are shown: marks under the right letters, in order, counted, and as data."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import Finding, Severity, SourceText, Span
from paramstore.report.findings import WIDTH, count_line, findings_data, findings_text
from paramstore.report.tables import display_width

SOURCE = SourceText("a.toml", "one = 1\ntwo = 22\nthree = 333\nfour = 4444\n")
FINDING = Finding("PS204", "`two` is wrong", SOURCE, Span(2, 7, 2, 9), "this one", ("a fact",),
                  "do this")


def show(text: str, span: Span, label: str = "") -> list[str]:
    """The source line and the mark of one finding."""
    shown = findings_text([Finding("PS204", "m", SourceText("t", text), span, label)])
    return shown.splitlines()[1:3]


def test_finding_is_place_headline_line_mark_fact_mend() -> None:
    """The parts of a finding come in their order, the mark under the letters meant."""
    assert findings_text([FINDING]) == (
        "a.toml:2:7: error PS204: `two` is wrong\n"
        "     2  two = 22\n"
        "              == this one\n"
        "  fact  a fact\n"
        "  mend  do this\n\n"
    )


def test_second_place_has_a_mark_of_its_own() -> None:
    """Other places are shown in the order of lines, dotted, each line once."""
    finding = replace(FINDING, also=((Span(4, 1, 4, 5), "and here"), (Span(2, 1, 2, 4), "left")),
                      notes=(), help="")
    assert findings_text([finding]) == (
        "a.toml:2:7: error PS204: `two` is wrong\n"
        "     2  two = 22\n"
        "        ... left\n"
        "              == this one\n"
        "     4  four = 4444\n"
        "        .... and here\n\n"
    )


def test_finding_without_place_or_file_is_shown_all_the_same() -> None:
    """What has no place has its file, what has no file only its words."""
    assert findings_text([replace(FINDING, span=None, notes=())]) == (
        "a.toml: error PS204: `two` is wrong\n  mend  do this\n\n")
    bare = Finding("PS204", "wrong", severity=Severity.WARNING)
    assert findings_text([bare]) == "warning PS204: wrong\n\n"


def test_findings_are_sorted_by_place() -> None:
    """Whatever their order, findings are shown from the top of the file down."""
    upper, lower = replace(FINDING, span=Span(1, 1, 1, 2)), replace(FINDING, span=Span(3, 1, 3, 2))
    assert findings_text([lower, upper]) == findings_text([upper, lower])
    assert findings_text([lower, upper]).index("a.toml:1:1") < (
        findings_text([lower, upper]).index("a.toml:3:1"))


def test_many_of_a_kind_are_counted() -> None:
    """Beyond the first ones of a code the rest is only counted."""
    many = [replace(FINDING, span=Span(n, 1, n, 2)) for n in range(1, 13)]
    text = findings_text([*many, replace(FINDING, code="PS106")])
    assert 8 == text.count("error PS204")
    assert text.endswith("\nand 4 more of PS204\n\n")
    assert 1 == text.count("error PS106")
    assert 12 == findings_text(many, most=None).count("error PS204")


@pytest.mark.parametrize(
    ("findings", "line"),
    [
        ([], "no mistakes"), ([FINDING], "1 error"), ([FINDING] * 2, "2 errors"),
        ([replace(FINDING, severity=Severity.WARNING), FINDING], "1 error, 1 warning"),
    ],
)
def test_closing_line_counts(findings: list[Finding], line: str) -> None:
    """Errors and warnings are counted, each in its number."""
    assert line == count_line(findings)


def test_tabs_and_wide_letters_keep_the_mark_in_place() -> None:
    """A tab takes four columns, a wide letter two, an accent none."""
    assert ["     1      a = x", "                ="] == show("\ta = x", Span(1, 6, 1, 7))
    assert ["     1  '水' = x", "               ="] == show("'水' = x", Span(1, 7, 1, 8))
    assert ["     1  'e\u0301' = x", "              ="] == show("'e\u0301' = x", Span(1, 8, 1, 9))


def test_control_characters_cannot_reach_the_terminal() -> None:
    """An escape sequence in a file, a path or a message is shown, not sent."""
    nasty = Finding("PS204", "a\x1b[31m", SourceText("b\x1b", "x = '\x1b[2J'\n"),
                    Span(1, 5, 1, 11), "c\x1b", ("d\n",), "e\r")
    text = findings_text([nasty])
    assert "\x1b" not in text and "\r" not in text
    assert "     1  x = '\\x1b[2J'\n            ========= c\\x1b\n" in text


def test_span_over_several_lines_is_marked_on_its_first() -> None:
    """Of a long value the first line is shown and marked to its end."""
    assert ["     1  a = [1,", "            ==="] == show("a = [1,\n 2]", Span(1, 5, 2, 4))


def test_left_column_grows_with_the_numbers_of_lines() -> None:
    """However far down in a file, numbers and words end in the same column."""
    finding = replace(FINDING, source=SourceText("a", "\n" * 99_999 + "x"),
                      span=Span(100_000, 1, 100_000, 2), label="")
    assert ["  100000  x", "          =", "    fact  a fact", "    mend  do this", ""] == (
        findings_text([finding]).splitlines()[1:])


def test_mark_behind_the_end_of_a_line() -> None:
    """Something missing at the end of a line is marked just behind it."""
    assert ["     1  a =", "           ="] == show("a =", Span(1, 4, 1, 5))


@given(st.text(st.sampled_from("ab \t水é="), max_size=300), st.integers(0, 299),
       st.integers(1, 299))
def test_long_lines_are_cut_around_their_mark(text: str, start: int, length: int) -> None:
    """However long the line, what is shown is bounded and the mark lies within it."""
    start = min(start, len(text))
    line, mark = show(text, Span(1, start + 1, 1, min(start + length, len(text)) + 1))
    shown, under = line[8:], mark[8:]
    assert display_width(shown) <= 2 * WIDTH + 6
    assert set(under) <= {" ", "="} and "=" in under
    marked = text[start : start + length].replace("\t", "    ")
    begin = len(under) - len(under.lstrip())
    cells = "".join(c * 1 if display_width(c) == 1 else c + "\0" for c in shown)
    seen = cells[begin : len(under)].replace("\0", "").rstrip()
    assert marked.startswith(seen.removesuffix("...")) or marked.strip() == ""


def test_colours_go_around_the_parts() -> None:
    """A style is asked for each part by name and changes nothing else."""
    asked = set()

    def style(text: str, part: str) -> str:
        asked.add(part)
        return f"<{text}>"

    finding = replace(FINDING, also=((Span(1, 1, 1, 4), "x"),))
    text = findings_text([finding], style=style)
    assert {"error", "place", "also", "fact", "mend"} == asked
    assert findings_text([finding]) == text.replace("<", "").replace(">", "")


def test_data_has_every_fact() -> None:
    """The JSON form has all that is shown, and a version."""
    finding = replace(FINDING, also=((Span(1, 1, 1, 4), "x"),))
    data = findings_data([finding])
    assert data == json.loads(json.dumps(data))
    assert {
        "schema_version": 1, "errors": 1, "warnings": 0,
        "findings": [{
            "code": "PS204", "severity": "error", "title": "a number does not fit in its type",
            "message": "`two` is wrong", "file": "a.toml",
            "place": {"line": 2, "column": 7, "end_line": 2, "end_column": 9},
            "label": "this one", "notes": ["a fact"], "help": "do this",
            "also": [{"place": {"line": 1, "column": 1, "end_line": 1, "end_column": 4},
                      "label": "x"}],
        }],
    } == data
    assert findings_data([Finding("PS301", "x")])["findings"][0]["place"] is None
