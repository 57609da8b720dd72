"""Bytes in decimal, octal and binary: read as what they are, or refused where they can be both.

The texts are made by programs outside this project where they are there: od, xxd, hexdump.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from paramstore.core.errors import FindingsError
from paramstore.files.forms import ReadOptions, read_dump
from paramstore.files.runs import Reading, flatten

LIVED = bytes([7, 12, 18, 25, 0, 1, 99, 60, 23, 42, 10, 11, 77, 30, 31, 9])
"""Hours and the like: no byte of it needs a letter or three digits."""
USED = b"".join([b"PSL\xd5", LIVED, bytes(range(100, 120)), b"\xff" * 40, b"\0" * 48,
                 bytes(range(140, 220))])
ALIKE = bytes([1, 2, 3, 9, 0, 5, 7, 8] * 4)
"""The same in any base."""


def reading(text: str | bytes) -> Reading:
    return read_dump(text if isinstance(text, bytes) else text.encode(), "x.txt",
                     options=ReadOptions(recognises=lambda data: b"PSL\xd5" in data))


def content_of(found: Reading) -> bytes:
    assert () == flatten(found.runs, found.start, found.end)[1]
    return flatten(found.runs, found.start, found.end)[0]


def written(tmp_path: Path, command: str, data: bytes) -> bytes:
    if shutil.which(command.split()[0]) is None:
        pytest.skip(f"{command.split()[0]} is not there")
    (tmp_path / "x.bin").write_bytes(data)
    return subprocess.run([*command.split(), "x.bin"], cwd=tmp_path, capture_output=True,
                          check=True).stdout


PROGRAMS = ["od -t u1 -A d", "od -t u1", "od -t u1z -A x -v", "od -t d1", "od -v -t u1 -A n",
            "od -b", "od -t o1 -A d", "hexdump -b", "hexdump -C", "xxd -b", "xxd -b -c 8", "xxd",
            "od -t x1",
            "od -t x1 -A d", "od -t u1 -w8 -A d", "od -t d1z -w4 -A x"]


@pytest.mark.parametrize("command", PROGRAMS)
def test_what_programs_write_is_read(tmp_path: Path, command: str) -> None:
    """The bytes come back, whatever base they are written in."""
    assert USED == content_of(reading(written(tmp_path, command, USED)))


@pytest.mark.parametrize("data", [LIVED, ALIKE, b"\xff" * 64, b"\0" * 64, b"PSL\xd5" * 4,
                                  bytes(range(64)), bytes(range(64, 128)), b"\x10\x11" * 20],
                         ids=["lived", "alike", "erased", "zero", "magic", "low", "text", "bits"])
@pytest.mark.parametrize("command", PROGRAMS)
def test_what_can_be_both_is_read_right_or_refused(tmp_path: Path, command: str,
                                                   data: bytes) -> None:
    """Nothing of a layout without checks is read in another base."""
    try:
        assert data == content_of(reading(written(tmp_path, command, data)))
    except FindingsError as error:
        assert {"PS630", "PS631", "PS638"} >= {f.code for f in error.findings}


@pytest.mark.parametrize(("text", "bytes_"), [
    ("0x20000000 <buf>:\t7\t12\t18\t200\n0x20000004 <buf+4>:\t0\t1\t255\t83\n",
     [7, 12, 18, 200, 0, 1, 255, 83]),
    ("0x20000000 <buf>:\t7\t12\t18\t-56\n0x20000004 <buf+4>:\t0\t1\t-1\t83\n",
     [7, 12, 18, 200, 0, 1, 255, 83]),
    ("0x20000000 <buf>:\t07\t014\t022\t0310\n0x20000004 <buf+4>:\t0\t01\t0377\t0123\n",
     [7, 12, 18, 200, 0, 1, 255, 83]),
    ("0x20000000 <buf>:\t00000111\t00001100\n0x20000002 <buf+2>:\t11111111\t01010011\n",
     [7, 12, 255, 83]),
    ("\n".join(f"{at}\t{value}" for at, value in enumerate(LIVED + b"\xc8")), [*LIVED, 200]),
    ("\n".join(f"{at}: {value}" for at, value in enumerate(LIVED + b"\xc8")), [*LIVED, 200]),
    ("\n".join(f"{at:04x}\t{value:02x}" for at, value in enumerate(LIVED + b"\xc8")),
     [*LIVED, 200]),
    ("0000: 07 12 18 25 00 01 99 60\n0008: 23 42 10 11 77 30 31 09\n"
     "0010: 01 02 03 04 05 06 07 08\n",
     bytes.fromhex("0712182500019960 2342101177303109 0102030405060708")),
    ("007 012 018 025 200 001\n255 000 001 099 060 023\n", [7, 12, 18, 25, 200, 1, 255, 0, 1, 99,
                                                           60, 23]),
    ("[12.5] 0: 80 83 76 213 | PSL.\n[13.7] 4: 80 83 76 213 | PSL.\n", [*b"PSL\xd5PSL\xd5"]),
])
def test_debuggers_and_tables_are_read(text: str, bytes_: list[int]) -> None:
    """The shapes of debuggers, and of tables with one value a line."""
    assert bytes(bytes_) == content_of(reading(text))


@pytest.mark.parametrize("text", [
    "0x20000000 <buf>:\t7\t12\t18\t25\n0x20000004 <buf+4>:\t0\t1\t99\t60\n",
    "\n".join(f"{at}\t{value}" for at, value in enumerate(LIVED)),
    "\n".join(f"{at:04}: {value}" for at, value in enumerate(LIVED)),
    "07 12 18 25 00 01 99 60 23 42\n",
    "0000 07 12 18 25 00 01 99 60 23 42\n0010 07 12 18 25 00 01 99 60 23 42\n",
    "007 012 016 025 100 001\n177 000 001 077 060 023\n",
    "101 110\n111 100\n",
    "00000111 00001100\n",
])
def test_numbers_that_can_be_both_are_refused(text: str) -> None:
    """Nothing tells the base, so nothing is read."""
    with pytest.raises(FindingsError) as caught:
        reading(text)
    assert ["PS638"] == [f.code for f in caught.value.findings]


@pytest.mark.parametrize(("command", "said"), [
    ("od", "the lines hold octal words"), ("hexdump -o", "the lines hold octal words"),
    ("od -t u2", "the lines hold decimal numbers larger than a byte"),
    ("hexdump -d", "the lines hold decimal numbers larger than a byte"),
    ("od -t u4 -A d", "the lines hold decimal numbers larger than a byte"),
])
def test_words_in_decimal_or_octal_are_named(tmp_path: Path, command: str, said: str) -> None:
    """They are refused with the command that writes what can be read."""
    with pytest.raises(FindingsError) as caught:
        reading(written(tmp_path, command, USED))
    (finding,) = caught.value.findings
    assert ("PS638", said) == (finding.code, finding.message)
    assert "od -A x -t x1" in finding.help


@pytest.mark.parametrize("command", ["od -t u1 -A d", "od -t x1 -A x", "od -t u1 -A x", "od -t u1",
                                     "od -t x1 -A d"])
@pytest.mark.parametrize("data", [b"\xc8" * 15 + b"\x07", bytes(range(200, 232))])
def test_the_end_line_tells_the_base_of_addresses(tmp_path: Path, command: str,
                                                  data: bytes) -> None:
    """One line or two, and where the dump ends: the bytes between must be there."""
    assert data == content_of(reading(written(tmp_path, command, data)))


@pytest.mark.parametrize(("rows", "sure"), [(2, False), (3, False), (4, True), (6, True)])
def test_three_steps_of_a_column_are_no_chance(rows: int, sure: bool) -> None:
    """Numbers at the line's beginning that go up by as many as the line has values are addresses;
    with fewer lines nothing tells."""
    text = "".join(f"{4 * n} {' '.join(str(190 + n + k) for k in range(4))}\n"
                   for n in range(rows))
    if not sure:
        with pytest.raises(FindingsError) as caught:
            reading(text)
        assert "the first number of a line may be an address or data" == (
            caught.value.findings[0].message)
        return
    assert bytes(190 + n + k for n in range(rows) for k in range(4)) == content_of(reading(text))


def test_a_column_that_goes_up_now_and_then_is_data() -> None:
    """Every step must be right."""
    firsts = [0, 4, 8, 13, 17]
    text = "".join(f"{first} 200 201 202 203\n" for first in firsts)
    assert b"".join(bytes([first, 200, 201, 202, 203]) for first in firsts) == content_of(
        reading(text))


@pytest.mark.parametrize("width", [4, 5])
def test_decimals_are_filled_with_blanks(width: int) -> None:
    """Numbers below 100 in fields for three digits and a gap: hexadecimal has no such fields."""
    text = "".join("".join(f"{n:{width}}" for n in LIVED[at:at + 8]) + "\n" for at in (0, 8))
    assert LIVED == content_of(reading(text))
