"""Findings for people and for programs: the one place where their look is decided.

A finding opens with its place in the form of the GNU coding standards (FILE:LINE:COLUMN:), which
editors jump to. Below, one column on the left holds the numbers of source lines and the words
`fact` and `mend`; the guilty span is underlined twice, other places that take part are dotted.
Colours come from outside, as a function; without one the text is plain.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence

from paramstore.core.errors import Finding, Severity, SourceText, Span, explain_code
from paramstore.core.text import JsonObject, printable
from paramstore.core.words import plural
from paramstore.report.tables import display_width

__all__ = ["MOST_OF_A_KIND", "SCHEMA_VERSION", "Style", "count_line", "findings_data",
           "findings_text", "no_style"]

Style = Callable[[str, str], str]
"""Gives a text the colour of its part: error, warning, place, also, fact or mend."""

SCHEMA_VERSION = 1
"""Of the JSON form; grows when a reader of the old form would be misled."""

MOST_OF_A_KIND = 8
"""Findings of one code that are shown before the rest is only counted."""

WIDTH = 100
"""Columns of a source line that are shown; a longer line is cut around its mark."""

_TAB = "    "
_COLUMN = 4  # least width of the left column: that of `fact` and `mend`


def no_style(text: str, part: str) -> str:
    """Return the text as it is."""
    return text


def findings_text(
    findings: Iterable[Finding], *, style: Style = no_style, most: int | None = MOST_OF_A_KIND
) -> str:
    """Return all findings, sorted by place, with an empty line after each.

    Of each code only the first `most` are shown in full; None shows all.
    """
    seen: Counter[str] = Counter()
    blocks, left_out = [], Counter[str]()
    for finding in sorted(findings, key=lambda f: f.sort_key):
        seen[finding.code] += 1
        if most is not None and seen[finding.code] > most:
            left_out[finding.code] += 1
        else:
            blocks.append("\n".join(_block(finding, style)))
    blocks += [f"and {count} more of {code}" for code, count in sorted(left_out.items())]
    return "".join(block + "\n\n" for block in blocks)


def count_line(findings: Iterable[Finding]) -> str:
    """Return "2 errors, 1 warning"; "no mistakes" if there are neither."""
    counts = Counter(f.severity for f in findings)
    parts = [plural(counts[s], s.value) for s in Severity if counts[s]]
    return ", ".join(parts) or "no mistakes"


def findings_data(findings: Iterable[Finding]) -> JsonObject:
    """Return the findings as plain data for JSON, sorted by place; lines and columns from 1."""
    ordered = sorted(findings, key=lambda f: f.sort_key)
    return {
        "schema_version": SCHEMA_VERSION,
        "errors": sum(f.severity is Severity.ERROR for f in ordered),
        "warnings": sum(f.severity is Severity.WARNING for f in ordered),
        "findings": [_data(f) for f in ordered],
    }


def _data(finding: Finding) -> JsonObject:
    return {
        "code": finding.code,
        "severity": finding.severity.value,
        "title": explain_code(finding.code).title,
        "message": finding.message,
        "file": finding.source.path if finding.source else None,
        "place": _place(finding.span),
        "label": finding.label,
        "notes": list(finding.notes),
        "help": finding.help,
        "also": [{"place": _place(span), "label": label} for span, label in finding.also],
    }


def _place(span: Span | None) -> dict[str, int] | None:
    return span._asdict() if span else None


# ---- Text ---------------------------------------------------------------------------------------


def _block(finding: Finding, style: Style) -> Iterator[str]:
    kind = finding.severity.value
    place = ""
    marks: list[_Mark] = []
    if finding.source:
        place = printable(finding.source.path)
        if finding.span:
            place += f":{finding.span.line}:{finding.span.column}"
            marks = sorted([(finding.span, finding.label, "=", kind)]
                           + [(span, label, ".", "also") for span, label in finding.also])
        place = style(f"{place}:", "place") + " "
    yield f"{place}{style(f'{kind} {finding.code}', kind)}: {printable(finding.message)}"
    width = max(_COLUMN, *(len(str(span.line)) for span, *_ in marks)) if marks else _COLUMN
    if finding.source:
        yield from _quotes(finding.source, marks, width, style)
    for word, texts in (("fact", finding.notes), ("mend", (finding.help,) if finding.help else ())):
        for text in texts:
            yield f"  {style(f'{word:>{width}}', word)}  {printable(text)}"


_Mark = tuple[Span, str, str, str]
"""Span, label, the character of the mark, and the part whose colour it has."""


def _quotes(
    source: SourceText, marks: Sequence[_Mark], width: int, style: Style
) -> Iterator[str]:
    """Yield each marked source line once, and under it its marks."""
    shown = 0
    for span, label, sign, part in marks:
        left, line, right = _cut(source.line(span.line), span)
        if span.line != shown:
            yield f"  {style(f'{span.line:>{width}}', 'place')}  {line}"
            shown = span.line
        mark = sign * max(1, right - left)
        text = f"{mark} {printable(label)}" if label else mark
        yield f"  {' ' * width}  {' ' * left}{style(text, part)}"


def _cut(text: str, span: Span) -> tuple[int, str, int]:
    """Return the source line, cut to `WIDTH`, and the display columns of the mark in it."""
    end = span.end_column - 1 if span.end_line == span.line else len(text)
    before, marked, after = (
        printable(piece.replace("\t", _TAB))
        for piece in (text[: span.column - 1], text[span.column - 1 : end], text[end:])
    )
    line = before + marked + after
    if display_width(line) > WIDTH:
        room = max(WIDTH - display_width(marked), WIDTH // 2)
        if display_width(before) > room // 2:
            before = "..." + before[-min(len(before), max(room // 2, room - len(after))) :]
        line = (before + marked + after)[:WIDTH]
        if len(before + marked + after) > WIDTH:
            line += "..."
    left = display_width(before)
    return left, line.rstrip(), min(left + display_width(marked), display_width(line))
