"""Texts made to keep a reader busy: each is read or refused in bounded time."""

from __future__ import annotations

import signal
from collections.abc import Callable
from types import FrameType

import pytest

from paramstore.core.errors import FindingsError
from paramstore.files.forms import FORMS, read_dump

_N = 100_000
HOSTILE: dict[str, Callable[[], str]] = {
    "pairs in a string": lambda: '"' + "50 53 " * (_N // 6) + 'z"',
    "signs between pairs": lambda: 'x = "' + "50,:- " * (_N // 6) + '!"',
    "quotes with backslashes": lambda: '"' + '\\"' * (_N // 2),
    "quotes": lambda: "'\"" * (_N // 2), "open quotes": lambda: "b'" * (_N // 2),
    "letters of base32": lambda: "ABCDEFG2" * (_N // 8) + "!",
    "tabs in a table": lambda: "\n".join(
        "\t".join(["00", "\t" * 40] * 30) + "x" for _ in range(60)),
    "semicolons": lambda: "\n".join("00;" * 3_000 + "z" for _ in range(20)),
    "addresses and blanks": lambda: "\n".join("00000000 " * 800 for _ in range(30)),
    "escapes in lines": lambda: "\n".join("00000000 " + " \\0x" * 900 for _ in range(50)),
    "numbers": lambda: "1 " * (_N // 2), "numbers in lines": lambda: "1 22 333\n" * (_N // 9),
    "percent": lambda: "%5" * (_N // 2), "entities": lambda: "&#80;  " * (_N // 7) + "x",
    "tags": lambda: "<br" * (_N // 3), "open tags": lambda: "<td " * (_N // 4) + "&nbsp;",
    "casts": lambda: "{(char)" * (_N // 7), "parentheses": lambda: "(" * _N + "1,",
    "commas": lambda: "{1" + "," * _N, "directives": lambda: "a:" * (_N // 2) + ".byte 1,",
    "armour": lambda: "-----BEGIN " * (_N // 11),
    "stars": lambda: "00: 50 53 4c d5\n" + "*\n" * 50_000,
}


def _late(number: int, frame: FrameType | None) -> None:
    raise TimeoutError("the text took too long")


@pytest.mark.parametrize("form", [None, "text", "c"])
@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_text_is_done_in_bounded_time(name: str, form: str | None) -> None:
    """What takes longer than 30 s here would take for ever with twice the text."""
    signal.signal(signal.SIGALRM, _late)
    signal.alarm(30)
    try:
        read_dump(HOSTILE[name]().encode(), "x", FORMS[form] if form else None)
    except FindingsError as error:
        assert error.findings
    finally:
        signal.alarm(0)
