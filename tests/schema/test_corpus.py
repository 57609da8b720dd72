"""A corpus of mistakes: every message is kept beside the schema that provokes it, to be read."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.errors import Finding, FindingsError, SourceText
from paramstore.report.findings import count_line, findings_text
from paramstore.schema.reader import read_schema
from tests.codes import SCHEMA as CODES
from tests.goldens import golden

CORPUS = Path(__file__).parent.parent / "corpus" / "schemas"
SCHEMAS = sorted(CORPUS.glob("*.toml"))


def findings_in(path: Path) -> tuple[Finding, ...]:
    source = SourceText(path.name, path.read_bytes().decode("utf-8"))
    try:
        return read_schema(source)[1]
    except FindingsError as error:
        return error.findings


@pytest.mark.parametrize("path", SCHEMAS, ids=lambda p: p.stem)
def test_message_is_the_one_that_was_read_and_approved(path: Path) -> None:
    """Each mistake of the corpus gives exactly the message that is kept beside it."""
    findings = findings_in(path)
    text = findings_text(findings) + count_line(findings) + "\n"
    assert golden(path.with_suffix(".txt"), text) == text


def test_corpus_shows_every_code() -> None:
    """No kind of finding of the schema room is without an example, other than the file reader's."""
    shown = {f.code for path in SCHEMAS for f in findings_in(path)}
    assert set(CODES) - {"PS100"} == shown


def test_corpus_has_no_message_without_a_schema() -> None:
    """A kept message belongs to a schema."""
    assert {p.stem for p in SCHEMAS} == {p.stem for p in CORPUS.glob("*.txt")}


@pytest.mark.parametrize("path", SCHEMAS, ids=lambda p: p.stem)
def test_finding_follows_the_style(path: Path) -> None:
    """Headlines begin in lower case, end without a full stop, never say illegal; help is there."""
    for finding in findings_in(path):
        for text in (finding.message, finding.label, *finding.notes, finding.help):
            assert not text.endswith("."), text
            assert "illegal" not in text.lower(), text
            assert not text[:1].isupper() or text.startswith(("UTF", "U+", "I2C", "TOML", "C ")), (
                text
            )
        assert finding.message and finding.help and finding.source
        if finding.span:
            line = finding.source.line(finding.span.line)
            assert 1 <= finding.span.column <= len(line) + 1
