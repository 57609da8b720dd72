"""A corpus of mistakes in fixed layouts: every message is kept beside what provokes it."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.errors import Finding, FindingsError, SourceText
from paramstore.report.findings import count_line, findings_text
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.keys import is_fixed
from tests.codes import FIXED as CODES
from tests.goldens import golden

CORPUS = Path(__file__).parents[2] / "corpus" / "fixed"
SCHEMAS = sorted(CORPUS.glob("*.toml"))


def findings_in(path: Path) -> tuple[Finding, ...]:
    source = SourceText(path.name, path.read_text("utf-8"))
    with pytest.raises(FindingsError) as caught:
        read_layout(source)
    return caught.value.findings


@pytest.mark.parametrize("path", SCHEMAS, ids=lambda p: p.stem)
def test_message_is_the_one_that_was_read_and_approved(path: Path) -> None:
    """Each mistake of the corpus gives exactly the message that is kept beside it."""
    findings = findings_in(path)
    text = findings_text(findings) + count_line(findings) + "\n"
    assert golden(path.with_suffix(".txt"), text) == text


def test_corpus_shows_every_code() -> None:
    """No kind of finding of the package is without an example."""
    assert set(CODES) <= {f.code for path in SCHEMAS for f in findings_in(path)}


def test_corpus_has_no_message_without_a_schema() -> None:
    """A kept message belongs to a schema."""
    assert {p.stem for p in SCHEMAS} == {p.stem for p in CORPUS.glob("*.txt")}


@pytest.mark.parametrize("path", SCHEMAS, ids=lambda p: p.stem)
def test_finding_follows_the_style(path: Path) -> None:
    """Headlines begin in lower case, end without a full stop; help and a place are there."""
    for finding in findings_in(path):
        for text in (finding.message, finding.label, *finding.notes, finding.help):
            assert not text.endswith("."), text
            assert "illegal" not in text.lower(), text
            assert not text[:1].isupper() or text.startswith(("C ", "CRC")), text
        assert finding.message and finding.help and finding.source and finding.span
        line = finding.source.line(finding.span.line)
        assert 1 <= finding.span.column <= len(line) + 1


@pytest.mark.parametrize("path", SCHEMAS, ids=lambda p: p.stem)
def test_it_is_taken_for_a_fixed_layout(path: Path) -> None:
    """Mistakes do not hide what kind of schema it is."""
    assert is_fixed(SourceText(path.name, path.read_text("utf-8")))


def test_broken_toml_is_taken_for_a_fixed_layout() -> None:
    """Nor does TOML that cannot be read; a store that speaks of fixed things is none."""
    assert is_fixed(SourceText("a", "[fixed]\nname = demo\n"))
    assert not is_fixed(SourceText("a", "[store]\nname = fixed\n"))
    assert not is_fixed(SourceText("a", '[store]\nname = "a"\n[fixed]\nsize = 3\n'))


def test_very_many_alternatives_end_soon() -> None:
    """A layout that nobody would write is refused before each is held against each."""
    groups = "".join(
        f'[group.g{n}]\nwhen = {{ bits = ["0", "1"], is = {n} }}\n[group.g{n}.parameter]\n'
        'p = { type = "u8", at = 2 }\n' for n in range(257))
    with pytest.raises(FindingsError) as caught:
        read_layout(SourceText("a", f'[fixed]\nname = "a"\nsize = 4\n{groups}'))
    assert ["more than 256 things have bits of 0x0002"] == [
        f.message for f in caught.value.findings]
