"""The kinds of findings: each is made by the package it belongs to, and explained."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import paramstore
from paramstore.core.errors import ToolError, all_codes, explain_code

LIBRARY = Path(paramstore.__file__).parent


def test_codes_are_in_order() -> None:
    """A list of codes is sorted."""
    assert sorted(all_codes()) == list(all_codes())


@pytest.mark.parametrize("name", all_codes())
def test_code_is_explained(name: str) -> None:
    """A title is a short phrase, an explanation more than it, in whole sentences."""
    code = all_codes()[name]
    assert 0 < len(code.title) < 60 and not code.title.endswith(".")
    assert code.title[0] == code.title[0].lower() or code.title.startswith(("I2C", "TOML", "C "))
    assert len(code.explain) > max(40, len(code.title))
    assert "illegal" not in code.explain.lower()


def test_every_code_in_the_library_is_declared() -> None:
    """No finding is made with a code that `--explain` does not know, and none is never made."""
    made = {name for path in LIBRARY.rglob("*.py")
            for name in re.findall(r"\"(PS\d\d\d)\"", path.read_text("utf-8"))}
    assert set(all_codes()) == made


def test_code_is_found_in_either_case() -> None:
    """People type codes as they like."""
    assert explain_code(" ps204 ") is all_codes()["PS204"]


def test_unknown_code_gets_a_suggestion() -> None:
    """A code that does not exist is refused with one that does."""
    with pytest.raises(ToolError) as caught:
        explain_code("P204")
    assert "PS204" in caught.value.help


def test_examples_in_an_explanation_stay_as_they_are() -> None:
    """Lines of a paragraph are joined; an example that is set in keeps its lines."""
    text = all_codes()["PS101"].explain
    paragraph, example = text.split("\n\n")
    assert "\n" not in paragraph
    assert [line[:4] for line in example.split("\n")] == ["    "] * 3
