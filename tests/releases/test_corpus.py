"""A corpus of edits of a released schema: what is said to each is kept beside it, to be read."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.errors import SourceText, errors_in
from paramstore.releases.project import Review, freeze, open_project, review
from paramstore.report.changes import changes_text
from paramstore.report.findings import count_line, findings_text
from tests.codes import RELEASES as CODES
from tests.goldens import golden

CORPUS = Path(__file__).parent.parent / "corpus" / "edits"
EDITS = sorted(CORPUS.glob("*.toml"))
RELEASED = sorted((CORPUS / "released").glob("*.toml"))


@pytest.fixture(scope="module")
def schema(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A schema file with its releases beside it."""
    path = tmp_path_factory.mktemp("corpus") / "demo.toml"
    for text in RELEASED:
        source = SourceText(str(path), text.read_text("utf-8"))
        freeze(source, open_project(source))
    return path


def reviewed(schema: Path, edit: Path) -> Review:
    return review(SourceText(str(schema), edit.read_text("utf-8")))


@pytest.mark.parametrize("edit", EDITS, ids=lambda p: p.stem)
def test_message_is_the_one_that_was_read_and_approved(schema: Path, edit: Path) -> None:
    """Each edit gets exactly the words that are kept beside it."""
    found = reviewed(schema, edit)
    made = changes_text(found.changes, found.history) if found.changes or found.project else ""
    text = findings_text(found.findings) + made + count_line(found.findings) + "\n"
    text = text.replace(str(schema), edit.name)
    assert golden(edit.with_suffix(".txt"), text) == text


@pytest.mark.parametrize("edit", EDITS, ids=lambda p: p.stem)
def test_edits_that_are_fine_have_a_plan(schema: Path, edit: Path) -> None:
    """What is refused has errors and no plan, with help for each; what is not has a plan."""
    found = reviewed(schema, edit)
    wrong = errors_in(found.findings)
    fine = edit.stem.startswith("fine_") or edit.stem == "convert_has_served"
    assert (found.project is not None) == fine == (not wrong)
    for finding in wrong:
        assert finding.help and not finding.message.endswith(".")


def test_corpus_shows_every_refusal(schema: Path) -> None:
    """No kind of refused edit, and no kind of change, is without an example."""
    shown = {f.code for edit in EDITS for f in reviewed(schema, edit).findings}
    shown |= {c.code for edit in EDITS for c in reviewed(schema, edit).changes}
    files_and_limits = {"PS711", "PS712", "PS713", "PS714", "PS715", "PS716", "PS717",
                        "PS738"}
    assert set(CODES) - files_and_limits == shown & set(CODES)


def test_corpus_has_no_message_without_an_edit() -> None:
    """Kept words belong to an edit."""
    assert {p.stem for p in EDITS} == {p.stem for p in CORPUS.glob("*.txt")}
