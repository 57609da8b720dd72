"""The kinds of findings: gathered from all rooms, numbered by room, each explained."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import paramstore
from paramstore.bus.codes import CODES as BUS
from paramstore.calibrate.codes import CODES as CALIBRATE
from paramstore.codes import all_codes, explain_code
from paramstore.decode.codes import CODES as DECODE
from paramstore.errors import ToolError
from paramstore.evolve.codes import CODES as EVOLVE
from paramstore.firmware.codes import CODES as FIRMWARE
from paramstore.fixed.codes import CODES as FIXED
from paramstore.image.codes import CODES as IMAGE
from paramstore.layout.codes import CODES as LAYOUT
from paramstore.production.codes import CODES as PRODUCTION
from paramstore.schema.codes import CODES as SCHEMA

ROOMS = {"123": SCHEMA | FIXED, "4": LAYOUT, "56": IMAGE | DECODE, "7": FIRMWARE | EVOLVE,
         "8": CALIBRATE, "9": PRODUCTION | BUS}
LIBRARY = Path(paramstore.__file__).parent


def test_every_room_has_its_hundreds() -> None:
    """The first digit of a code tells the room, and no code is declared twice."""
    assert all_codes() == (
        SCHEMA | FIXED | LAYOUT | IMAGE | FIRMWARE | EVOLVE | CALIBRATE | DECODE | PRODUCTION
        | BUS)
    for digits, codes in ROOMS.items():
        assert all(re.fullmatch(rf"PS[{digits}]\d\d", name) for name in codes)


def test_codes_are_in_order() -> None:
    """A list of codes is sorted."""
    assert sorted(all_codes()) == list(all_codes())


@pytest.mark.parametrize("name", all_codes())
def test_code_is_explained(name: str) -> None:
    """A title is a short line, an explanation more than it, in whole sentences."""
    code = all_codes()[name]
    assert 0 < len(code.title) < 60 and not code.title.endswith(".")
    assert len(code.explain) > 40
    assert "illegal" not in code.explain.lower()


def test_every_code_in_the_library_is_declared() -> None:
    """No finding is made with a code that `--explain` does not know, and none is never made."""
    made = {
        name for path in LIBRARY.rglob("*.py") if path.name != "codes.py"
        for name in re.findall(r"\"(PS\d\d\d)\"", path.read_text("utf-8"))
    }
    assert set(all_codes()) == made


def test_code_is_found_in_either_case() -> None:
    """People type codes as they like."""
    assert explain_code(" ps204 ") is SCHEMA["PS204"]


def test_unknown_code_gets_a_suggestion() -> None:
    """A code that does not exist is refused with one that does."""
    with pytest.raises(ToolError) as caught:
        explain_code("P204")
    assert "PS204" in caught.value.help
