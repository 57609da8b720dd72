"""The corpus of pasted texts: each is read as what it was made of, or refused with a way out."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from paramstore.core.errors import FindingsError
from paramstore.files.forms import ReadOptions, read_dump
from tests.programs import pasted_texts

FIGURES = Path(__file__).parent / "figures" / "pasted_texts.txt"


def test_no_text_is_misread() -> None:
    """At least 100 shapes of three stores and of a layout without checks; what is kept is so."""
    found = pasted_texts.outcomes()
    assert len({o.name for o in found}) >= 150 and len({o.store for o in found}) == 4
    assert [] == [o for o in found if o.what == "misread"]
    assert Counter(o.what for o in found)["read"] * 10 > 8 * len(found)
    kept = FIGURES.read_text("utf-8").partition("\n")[2]
    assert kept == pasted_texts.figures(found)


def test_what_is_refused_says_what_to_do() -> None:
    """Each refusal has a help."""
    for _, name, text, _ in pasted_texts.corpus():
        try:
            read_dump(text, name, options=ReadOptions(
                recognises=lambda d: pasted_texts.MAGIC in d))
        except FindingsError as error:
            assert all(f.help for f in error.findings), name


@pytest.mark.parametrize("name", ["python_bytes", "csv", "base64_armour", "assembler_db",
                                  "c_casts"])
def test_the_corpus_is_what_the_program_writes(name: str) -> None:
    """Shapes of the standard library are the same in each run."""
    kept = {n: (text, data) for store, n, text, data in pasted_texts.corpus()
            if store == "bench_unit"}
    text, data = kept[name]
    assert pasted_texts.SHAPES[name](data).encode() == text
