"""The codes of the room are all in use, and all explained."""

import re
from pathlib import Path

from paramstore.calibrate import codes

ROOM = Path(codes.__file__).parent


def test_codes_and_their_uses_agree() -> None:
    """Every code that is given is explained, and no explanation is left over."""
    used = {
        code
        for path in ROOM.glob("*.py") if path.name != "codes.py"
        for code in re.findall(r'"(PS8\d{2})"', path.read_text("utf-8"))
    }
    assert used == set(codes.CODES)


def test_every_code_is_shown_in_a_golden() -> None:
    """No kind of finding is without a message that was read and approved, but PS824, which is
    about two tables and has a test of its own."""
    goldens = Path(__file__).parent / "golden"
    shown = {code for path in goldens.glob("*.txt")
             for code in re.findall(r"\b(PS8\d{2})\b", path.read_text("utf-8"))}
    assert set(codes.CODES) - {"PS824"} == shown


def test_explanations_say_more_than_titles() -> None:
    """A title is a phrase, an explanation whole sentences."""
    for code, text in codes.CODES.items():
        assert text.title[0].islower() and not text.title.endswith("."), code
        assert len(text.explain) > len(text.title), code
