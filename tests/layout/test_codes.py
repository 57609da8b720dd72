"""Every kind of finding of a layout has a test."""

import re
from pathlib import Path

from tests.codes import LAYOUT


def test_every_code_is_tested() -> None:
    """A code of this package is named in its tests."""
    tests = Path(__file__).parent.glob("*.py")
    texts = [path.read_text("utf-8") for path in tests]
    assert set(LAYOUT) == {code for text in texts for code in re.findall(r'"(PS4\d\d)"', text)}
