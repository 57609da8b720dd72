"""The table of codes and the code agree."""

import re
from pathlib import Path

from paramstore.layout.codes import CODES

ROOM = Path(__file__).parents[2] / "paramstore" / "layout"
TESTS = Path(__file__).parent


def codes_in(folder: Path, but: str) -> set[str]:
    return {code for path in folder.glob("*.py") if path.name != but
            for code in re.findall(r'"(PS4\d\d)"', path.read_text(encoding="utf-8"))}


def test_every_code_is_used_and_tested() -> None:
    """A code is in the table exactly if this room gives it, and each one has a test."""
    assert set(CODES) == codes_in(ROOM, but="codes.py") == codes_in(TESTS, but="")


def test_words() -> None:
    """Titles begin in lower case and carry no full stop; explanations are whole sentences."""
    for code in CODES.values():
        assert code.title[0].islower() and not code.title.endswith(".")
        assert code.explain.endswith(".")
