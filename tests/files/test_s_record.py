"""Motorola S-record: what is written is read back by others, and nothing that is not whole is."""

from __future__ import annotations

import pytest
from hexrec import SrecFile
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.files.forms import FORMS, WriteOptions, encode_image
from paramstore.files.runs import Reading
from paramstore.files.s_record import read

# SRecord's manual page srec_motorola(5): "Hello, World" and a line feed at 0.
HEADER, HELLO = "S00600004844521B\n", "S110000048656C6C6F2C20576F726C640A9D\n"
COUNT, END = "S5030001FB\n", "S9030000FC\n"
# Lines that are printed widely as an example; from memory, checksums verified with bincopy.
KNOWN_GOOD = (
    "S00F000068656C6C6F202020202000003C\n"
    "S11F00007C0802A6900100049421FFF07C6C1B787C8C23783C6000003863000026\n"
    "S11F001C4BFFFFE5398000007D83637880010014382100107C0803A64E800020E9\n"
    "S111003848656C6C6F20776F726C642E0A0042\n"
    "S5030003F9\n" + END
)


def reading(text: str) -> Reading:
    return read(text.encode(), "unit.s19")


def test_worked_examples_are_read() -> None:
    """The examples of the manual page give their bytes."""
    assert b"Hello, World\n" == reading(HEADER + HELLO + COUNT + END).runs[0].data
    runs = reading(KNOWN_GOOD).runs
    assert [(0, 28), (0x1C, 28), (0x38, 14)] == [(r.address, len(r.data)) for r in runs]
    assert b"Hello world.\n\0" == runs[2].data


@given(st.binary(min_size=1, max_size=300),
       st.one_of(st.integers(0, 0x200), st.integers(0xFFF0, 0x10010),
                 st.integers(0xFFFFF0, 0x1000010), st.integers(0, 0xFFFF_FE00)))
def test_hexrec_reads_what_is_written(content: bytes, address: int) -> None:
    """An independent reader finds the same bytes at the same addresses of 2, 3 and 4 bytes."""
    text = encode_image(content, FORMS["srec"], WriteOptions(offset=address)).decode()
    file = SrecFile.parse(text.encode()).validate_records()
    assert [(address, content)] == [(at, bytes(data)) for at, data in file.memory.to_blocks()]
    assert {"S0", "S9"} == {text[:2], text.splitlines()[-1][:2].replace("S8", "S9").replace(
        "S7", "S9")}
    assert content == b"".join(r.data for r in reading(text).runs)


REFUSED = {
    "a wrong checksum": (HELLO.replace("9D", "9C") + END, "PS623",
                         "the checksum is 9C, 9D would be right"),
    "a wrong checksum of a record that is counted": (
        HELLO.replace("9D", "9C") + "S5030001FB\n" + END, "PS623",
        "the checksum is 9C, 9D would be right"),
    "a lost byte": (HELLO.replace("6C6C", "6C") + END, "PS622",
                    "the record says 16 bytes and has 15"),
    "another text": ("hello\n" + HELLO + END, "PS621", "this is not an S-record"),
    "an unknown type": ("S4030000FC\n" + HELLO + END, "PS621", "there is no record type S4"),
    "too short for its address": ("S3030000FC\n" + HELLO + END, "PS622",
                                  "a record S3 has 4 address bytes, this one 2"),
    "a wrong count": (HELLO + "S5030002FA\n" + END, "PS624",
                      "the file says 2 data records and has 1"),
    "no end": (HELLO, "PS624", "the end record is missing: the file was cut short"),
    "data after the end": (END + HELLO, "PS624", "a record follows the end record"),
    "an overlap": (HELLO + HELLO + END, "PS625", "address 0x0 was given before"),
    "no data": (HEADER + END, "PS620", "`unit.s19` holds no data"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_is_not_whole_is_refused(name: str) -> None:
    """Every defect is told, and nothing is read."""
    text, code, message = REFUSED[name]
    with pytest.raises(FindingsError) as caught:
        reading(text)
    assert [(code, message)] == [(f.code, f.message) for f in caught.value.findings]


@given(st.integers(0, len(KNOWN_GOOD) - 1), st.integers(0, 255))
def test_a_changed_file_is_never_read_as_other_data(at: int, value: int) -> None:
    """One changed byte of a file is refused or changes nothing (a checksum sees every one)."""
    content = bytearray(KNOWN_GOOD.encode())
    content[at] = value
    try:
        runs = read(bytes(content), "x").runs
    except FindingsError:
        return
    assert [r.data for r in reading(KNOWN_GOOD).runs] == [r.data for r in runs]
