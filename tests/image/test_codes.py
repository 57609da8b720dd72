"""The codes of the room are all in use, and all explained."""

import re
from pathlib import Path

from paramstore.image import codes

ROOM = Path(codes.__file__).parent


def test_codes_and_their_uses_agree() -> None:
    """Every code that is given is explained, and no explanation is left over."""
    used = {
        code
        for path in ROOM.rglob("*.py") if path.name != "codes.py"
        for code in re.findall(r'"(PS\d{3})"', path.read_text("utf-8"))
    }
    assert used == set(codes.CODES)


def test_explanations_say_more_than_titles() -> None:
    """A title is a phrase, an explanation whole sentences."""
    for code, text in codes.CODES.items():
        assert re.fullmatch(r"PS[56]\d\d", code)
        assert text.title[0].islower() and not text.title.endswith("."), code
        assert text.explain.endswith(".") and len(text.explain) > len(text.title), code
