"""Text that is safe to show: nothing in it is obeyed, and nothing is lost."""

from __future__ import annotations

import json
import sys
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.text import first_unprintable, json_text, one_line, printable, quoted

ANY = st.text(st.characters(exclude_categories=["Cs"]))

HOSTILE = "\x07\x1b[2J\r\x7f\x85\x9b31m\u2028\u2029\u200e\u202e\u2066\ufeff\U000e0041"
"""BEL, ESC, a carriage return, DEL, NEL, the CSI of C1, line and paragraph separators, marks that
turn the direction of writing, a byte-order mark, a tag character."""


@given(ANY)
def test_what_is_shown_prints(text: str) -> None:
    """No character of it does anything but stand there, and what prints stays as it is."""
    for shown in (printable(text), one_line(text), quoted(text)):
        assert shown.isprintable()
    assert not text.isprintable() or text == printable(text)


@given(ANY)
def test_toml_reads_a_quoted_text_back(text: str) -> None:
    """It is the same text, whatever is in it."""
    assert {"x": text} == tomllib.loads(f"x = {quoted(text)}")


@given(st.recursive(ANY | st.integers() | st.none(), lambda inner:
                    st.lists(inner) | st.dictionaries(ANY, inner), max_leaves=6))
def test_json_reads_its_text_back(data: object) -> None:
    """The data are the same, and only line ends stand between what prints."""
    text = json_text(data)
    assert data == json.loads(text)
    assert text.replace("\n", "").isprintable()


def test_every_hostile_character_is_found_and_shown() -> None:
    """Each of them is one that does not print, by the tables of Unicode."""
    for character in HOSTILE.replace("[2J", "").replace("31m", ""):
        assert character == first_unprintable(f"mV{character}")
        assert character not in printable(character) + quoted(character) + json_text(character)


@pytest.mark.parametrize(("text", "but", "found"), [
    ("mV", "", ""), ("µS/cm", "", ""), ("a\nb\tc", "\n\t", ""), ("a\nb\x07", "\n", "\x07")])
def test_line_ends_may_be_allowed(text: str, but: str, found: str) -> None:
    """A text of several lines may have them."""
    assert found == first_unprintable(text, but)


def test_most_of_unicode_prints() -> None:
    """Letters of any script stay: what is shown by its number is a small part of what is assigned.
    """
    shown = sum(chr(c).isprintable() for c in range(sys.maxunicode + 1)
                if not 0xD800 <= c <= 0xDFFF)
    assert 140_000 < shown
