"""Every kind of finding of a calibration is shown in a golden."""

import re
from pathlib import Path

from tests.codes import CALIBRATE


def test_every_code_is_shown_in_a_golden() -> None:
    """No kind of finding is without a message that was read and approved, but those about
    several tables and units, which have tests of their own."""
    goldens = Path(__file__).parent / "golden"
    shown = {code for path in goldens.glob("*.txt")
             for code in re.findall(r"\b(PS8\d{2})\b", path.read_text("utf-8"))}
    assert CALIBRATE - {"PS824", "PS825"} == shown
