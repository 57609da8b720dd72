"""The map of the tests, and the index of the corpus, are those of what is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from paramstore.core.errors import all_codes
from tests.goldens import golden

HERE = Path(__file__).parent
MAP = (HERE / "README.md").read_text("utf-8")
ABOUT = {
    "schemas": "Mistakes in schemas, each with its message (`schema/test_corpus.py`).",
    "fixed": "Mistakes in fixed layouts, each with its message (`schema/fixed/test_corpus.py`).",
    "edits": "What became of the release in `released`, each with what a comparison says "
    "(`releases/test_corpus.py`).",
    "dumps": "The bytes of `content.bin` as people paste them (`files/test_text_dump.py`).",
    "pasted": "The same bytes in every form that we know of, a file for each store "
    "(`programs/pasted_texts.py`).",
    "cuts": "Histories of commits and power cuts that once broke a promise "
    "(`verify/cuts/test_replay.py`).",
}


def _case(path: Path) -> str:
    """Return the line of a case: its name, and the codes of the findings that are kept for it."""
    kept = path.with_suffix(".txt") if path.suffix == ".toml" else None
    codes = sorted(set(re.findall(r"\bPS\d{3}\b", kept.read_text("utf-8")))) if kept else []
    return f"- `{path.name}`" + (": " + ", ".join(codes) if codes else "")


def _index() -> str:
    lines = ["# The corpus", "",
             "One file a case. This index is written by `pytest --refresh-goldens "
             "tests/test_map.py`."]
    for folder, about in ABOUT.items():
        files = sorted(p for p in (HERE / "corpus" / folder).iterdir() if p.is_file())
        cases = [p for p in files if not (p.suffix == ".txt" and p.with_suffix(".toml") in files)]
        lines += ["", f"## {folder}", "", f"{about} Cases: {len(cases)}.", "",
                  *(_case(path) for path in cases)]
    codes = sorted({code for line in lines for code in re.findall(r"PS\d{3}", line)})
    lines += ["", "## By code", ""]
    for code in codes:
        cases = [line.split("`")[1] for line in lines
                 if line.startswith("- `") and code in line.split(": ")[-1].split(", ")]
        lines.append(f"- {code} {all_codes()[code].title}: " + ", ".join(
            f"`{case}`" for case in cases))
    return "\n".join(lines) + "\n"


def test_the_index_of_the_corpus_is_true() -> None:
    """Every folder and case of the corpus is in its index, with the codes of its message."""
    assert set(ABOUT) == {p.name for p in (HERE / "corpus").iterdir() if p.is_dir()}
    index = _index()
    assert index == golden(HERE / "corpus" / "README.md", index)


@pytest.mark.parametrize("package", sorted(
    p.name for p in (HERE.parent / "paramstore").iterdir() if (p / "__init__.py").exists()))
def test_each_package_has_a_folder_of_tests(package: str) -> None:
    """A package, its tests and the map name each other."""
    assert (HERE / package).is_dir()
    said = re.search(rf"`{package}[`/]", MAP)
    assert said, f"tests/README.md does not say what {package} answers"


def test_what_the_map_names_is_there() -> None:
    """Every file or folder that the map names exists."""
    named = set(re.findall(r"`([a-z_]+(?:/[\w.]+)*(?:\.(?:py|txt|json|toml|md)|/))`", MAP))
    named |= set(re.findall(r"`((?:programs|corpus|verify|schema|releases|report)/\w+)`", MAP))
    local = {n for n in named if (HERE / n).exists() or any(HERE.glob(f"*/{n}"))}
    assert len(named) > 30
    assert local | {n for n in named if any(HERE.glob(f"*/*/{n}"))} == named
