"""Lines of a dump text that nobody understood: their bytes count as not read, never as others."""

from __future__ import annotations

import pytest

from paramstore.core.errors import FindingsError
from paramstore.files.runs import Reading, ReadOptions, flatten
from paramstore.files.text_dump import read

ROW = b"PSL\xd5\x01\x55\0\0\x24\x71\x8e\xce\xf0\xdd\x0d\xd0"


def reading(text: str) -> Reading:
    return read(text.encode(), "x.txt", ReadOptions(None, lambda data: b"PSL\xd5" in data))


def gaps(found: Reading) -> tuple[tuple[int, int], ...]:
    return flatten(found.runs, found.start, found.end)[1]


def line(at: int, data: bytes, prefix: str = "") -> str:
    return f"{prefix}{at:08x}  {data.hex(' ')}"


STARRED = [line(0, ROW), line(16, b"\xff" * 16), "*", line(96, ROW), line(112, ROW), "00000080"]
"""Bytes 16 to 95 are FF."""


@pytest.mark.parametrize("other", [
    line(80, ROW)[:31] + "I (300) wifi: connected",
    line(80, ROW)[:12] + "[ 12.3] usb 1-1: new device",
    "I (300) app: temp 21 " + line(80, ROW),
    "00000050",
])
def test_a_star_fills_over_no_line_that_was_not_understood(other: str) -> None:
    """A console line glued into the first line behind a star: what is before it is not read, too,
    for nothing tells where the repeated lines end."""
    found = reading("\n".join([*STARRED[:3], other, *STARRED[3:]]))
    (first, end), = gaps(found)
    assert (first, end) == ((80 if other == "00000050" else 32), 96)


@pytest.mark.parametrize("other", [line(32, ROW)[:31] + "I (300) wifi: connected",
                                   "I (300) 50 " + line(32, ROW)])
def test_a_line_before_a_star_that_was_not_understood_is_not_that_before_it(other: str) -> None:
    """The star repeats the line that was passed over, so nothing is known of all its bytes."""
    found = reading("\n".join([*STARRED[:2], other, *STARRED[2:]]))
    assert ((32, 96),) == gaps(found)


@pytest.mark.parametrize("other", ["ready", "T = 21.5 degC", "", "--", "   0  1  2  3  4  5"])
def test_lines_without_numbers_hold_no_bytes(other: str) -> None:
    """What cannot be the rest of a dump line leaves the star as it is."""
    assert () == gaps(reading("\n".join([*STARRED[:3], other, *STARRED[3:]])))


def test_a_star_repeats_whole_lines() -> None:
    """An address that no number of whole lines leads to: a line between was lost."""
    found = reading("\n".join([*STARRED[:3], line(99, ROW[3:]), *STARRED[4:]]))
    assert ((32, 99),) == gaps(found)


def test_a_short_line_is_not_what_a_star_repeats() -> None:
    """Programs repeat whole lines; of a short one the rest was lost."""
    found = reading("\n".join([STARRED[0], line(16, b"\xff" * 7), *STARRED[2:]]))
    assert ((23, 96),) == gaps(found)


@pytest.mark.parametrize("other", ["****", "***** boot *****", "* ready"])
def test_a_row_of_stars_is_no_repetition(other: str) -> None:
    """A console draws lines of stars; only one alone repeats a line of a dump."""
    assert ((32, 96),) == gaps(reading("\n".join([*STARRED[:2], other, *STARRED[3:]])))


@pytest.mark.parametrize("said", ["took 60", "state 3 -> 40", "reset by beef"])
def test_the_end_of_a_console_line_is_no_address(said: str) -> None:
    """With prefixes an address alone stands right behind the prefix of the dump."""
    rows = [f"I (12) ee: {row}" for row in STARRED]
    found = reading("\n".join([*rows[:3], f"I (13) app: {said}", *rows[3:]]))
    assert ((32, 96),) == gaps(found)


def test_prefixes_of_other_lines_are_no_numbers() -> None:
    """A time in front of each line is no remains of bytes."""
    rows = [f"12:34:00 -> {row}" for row in STARRED]
    assert () == gaps(reading("\n".join([*rows[:3], "12:34:01 -> ready", *rows[3:]])))


# ---- Without addresses --------------------------------------------------------------------------

PLAIN = [bytes(range(at, at + 16)).hex(" ") + " " for at in range(0xA0, 0xF0, 16)]


@pytest.mark.parametrize("other", ["c0 c1 c2 I (300) wifi: connected", "c0c1", "c0 c1 c2G c3 c4"])
def test_without_addresses_a_line_that_was_not_understood_moves_the_rest(other: str) -> None:
    """It may have been one of the dump, and nothing would tell: refused, with the line."""
    with pytest.raises(FindingsError) as caught:
        reading("\n".join([*PLAIN[:2], other, *PLAIN[3:]]))
    assert [("PS631", 3)] == [(f.code, f.span and f.span.line) for f in caught.value.findings]
    assert 80 == reading("\n".join([*PLAIN, "ready"])).end
    assert 80 == reading("\n".join([*PLAIN[:2], "ready", *PLAIN[2:]])).end


# ---- Too many -----------------------------------------------------------------------------------

DECIMAL = ["0000000   7  12  18  25", "0000004 255 255 255 255", "0000008   7  12 200   1",
           "0000012   3   4   5 213"]


def test_a_dump_is_refused_of_which_too_many_lines_are_not_understood() -> None:
    """Lines of numbers that are no lines of the dump: it is of a kind that nobody read."""
    rows = [line(16 * n, ROW) for n in range(8)]
    odd = [f"{16 * n:08x}  " + ROW.hex(" ", 1).replace(" ", " 0") for n in range(8, 12)]
    with pytest.raises(FindingsError) as caught:
        reading("\n".join([*rows, *odd]))
    assert ["PS637"] == [f.code for f in caught.value.findings]
    noise = ["I (12) wifi: state 3 -> 5 (a0), 12 of 20"] * 8
    assert 128 == reading("\n".join(x for pair in zip(rows, noise, strict=True) for x in pair)).end
