"""Intel HEX: what is written is read back by others, and nothing that is not whole is read."""

from io import StringIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from intelhex import IntelHex

from paramstore.core.errors import Finding, FindingsError, ParamstoreError
from paramstore.files.forms import FORMS, Dump, decode_image, encode_image
from tests.codes import IMAGE as CODES

HEX = FORMS["hex"]
END = ":00000001FF\n"

# Lines that are printed widely as an example; from memory, checksums verified with bincopy.
KNOWN_GOOD = (
    ":10010000214601360121470136007EFE09D2190140\n"
    ":100110002146017E17C20001FF5F16002148011928\n"
    ":10012000194E79234623965778239EDA3F01B2CAA7\n"
    ":100130003F0156702B5E712B722B732146013421C7\n" + END
)
# The example of SRecord's manual page srec_intel(5), which restates Intel's "Hexadecimal Object
# File Format Specification", Rev. A, 1988: "Hello, World" and a line feed at address 0.
HELLO = ":0D00000048656C6C6F2C20576F726C640AA1\n"
# 64 bytes 00..3F across a 64 KiB border, as written by bincopy 20.1.1.
CROSSING = (
    ":020000040001F9\n"
    ":20FFE000000102030405060708090A0B0C0D0E0F101112131415161718191A1B1C1D1E1F11\n"
    ":020000040002F8\n"
    ":20000000202122232425262728292A2B2C2D2E2F303132333435363738393A3B3C3D3E3FF0\n" + END
)


def read(text: str, capacity: int = 4096) -> Dump:
    return decode_image(text.encode("latin-1"), HEX, "unit.hex", capacity)


def refusals(text: str, capacity: int = 4096) -> list[tuple[str, str, str]]:
    """Code, place and message of what is wrong with an Intel HEX text."""
    with pytest.raises(FindingsError) as caught:
        read(text, capacity)
    return [(f.code, place(f), f.message) for f in caught.value.findings]


def place(finding: Finding) -> str:
    span = finding.span
    return f"{span.line}:{span.column}-{span.end_column}" if span else ""


def record(address: int, kind: int, data: bytes) -> str:
    content = bytes([len(data), address >> 8, address & 0xFF, kind]) + data
    return f":{content.hex().upper()}{-sum(content) & 0xFF:02X}\n"


def test_known_good_lines_are_read() -> None:
    """The example gives its 64 bytes at 0x100, and what it leaves out is told."""
    dump = read(KNOWN_GOOD)
    assert "214601360121470136007efe09d21901" == dump.data[0x100:0x110].hex()
    assert "3f0156702b5e712b722b732146013421" == dump.data[0x130:0x140].hex()
    assert ((0, 0x100), (0x140, 4096)) == dump.gaps
    assert b"\xff" * 0x100 == dump.data[:0x100]
    assert b"Hello, World\n" == read(HELLO + END).data[:13]


@pytest.mark.parametrize("line", [
    ":0300300002337A1E", ":0B0010006164647265737320676170A7", ":020000021200EA",
    ":0400000300003800C1", ":020000040800F2", ":02000004FFFFFC", ":04000005000000CD2A",
])
def test_known_good_records_of_every_type_pass(line: str) -> None:
    """Known-good records of the other types are no mistake by themselves."""
    assert b"Hello" == read(HELLO + line + "\n" + END).data[:5]


def test_data_across_64_kib_is_read() -> None:
    """Extended linear addresses place data beyond 64 KiB."""
    dump = read(CROSSING, 0x40000)
    assert bytes(range(64)) == dump.data[0x1FFE0:0x20020]


def test_segment_addresses_are_read() -> None:
    """Extended segment addresses count in 16 bytes."""
    dump = read(record(0, 2, b"\x10\x00") + record(4, 0, b"abc") + END, 0x20000)
    assert b"abc" == dump.data[0x10004:0x10007]


def test_lower_case_blank_lines_and_crlf_are_read() -> None:
    """Nothing but the digits of a record counts."""
    assert b"Hello" == read("\r\n" + HELLO.lower().replace("\n", " \r\n") + END).data[:5]


@given(st.binary(min_size=1, max_size=300), st.sampled_from([512, 0x20000]))
@settings(max_examples=40)
def test_intelhex_reads_what_is_written(content: bytes, capacity: int) -> None:
    """An independent reader finds the same bytes, and so do we."""
    image = (content * (capacity // len(content) + 1))[:capacity]
    text = encode_image(image, HEX)
    independent = IntelHex(StringIO(text.decode("ascii")))
    assert image == independent.tobinstr(start=0, size=capacity)
    assert Dump(image) == decode_image(text, HEX, "unit.hex", capacity)


def test_what_intelhex_writes_is_read() -> None:
    """A file of an independent writer with a hole in it gives its bytes and its gap."""
    file, text = IntelHex(), StringIO()
    file.puts(0, b"abcd")
    file.puts(8, b"efgh")
    file.write_hex_file(text)
    assert Dump(b"abcd\xff\xff\xff\xffefgh", ((4, 8),)) == read(text.getvalue(), 12)


REFUSED = {
    "a wrong checksum": (
        HELLO.replace("A1", "A2") + END,
        [("PS623", "1:1-38", "the checksum is A2, A1 would be right")]),
    "a changed digit": (
        HELLO.replace("48", "49", 1) + END,
        [("PS623", "1:1-38", "the checksum is A1, A0 would be right")]),
    "a lost byte": (
        HELLO.replace("6C6C", "6C") + END,
        [("PS622", "1:1-36", "the record says 13 data bytes and has 12")]),
    "a lost digit": (
        HELLO.replace("A1", "A") + END,
        [("PS621", "1:1-37", "this is not an Intel HEX record")]),
    "another text": (
        "EEPROM dump\n" + HELLO + END,
        [("PS621", "1:1-12", "this is not an Intel HEX record")]),
    "white space in a record": (
        HELLO.replace("6C6C", "6C 6C") + END,
        [("PS621", "1:1-39", "this is not an Intel HEX record")]),
    "an unknown type": (
        record(0, 6, b"") + HELLO + END,
        [("PS621", "1:8-10", "there is no record type 06")]),
    "an address record that is too short": (
        record(0, 4, b"\1") + HELLO + END,
        [("PS621", "1:2-4", "a record of type 04 has 2 data bytes, not 1")]),
    "an end record with data": (
        HELLO + record(0, 1, b"\1") + END,
        [("PS621", "2:2-4", "a record of type 01 has 0 data bytes, not 1")]),
    "no end record": (
        HELLO + HELLO.replace("0D0000", "0D0010").replace("A1", "91"),
        [("PS624", "2:1-38", "the end record is missing: the file was cut short")]),
    "data after the end": (
        HELLO + END + HELLO,
        [("PS624", "3:1-38", "a record follows the end record")]),
    "an overlap": (
        HELLO + record(12, 0, b"xyz") + END,
        [("PS625", "2:1-18", "address 0xC was given before")]),
    "an overlap from below": (
        record(8, 0, b"xyz") + record(4, 0, b"abcdef") + END,
        [("PS625", "2:1-24", "address 0x8 was given before")]),
    "the same record twice": (
        HELLO + HELLO + END,
        [("PS625", "2:1-38", "address 0x0 was given before")]),
    "an address past the part": (
        record(4095, 0, b"ab") + END,
        [("PS626", "1:1-16", "the file goes on to 0x1000, past the part's 4096 bytes")]),
    "an address far past the part": (
        ":02000004FFFFFC\n" + record(0xFFF0, 0, b"a") + END,
        [("PS626", "2:1-14", "the file goes on to 0xFFFFFFF0, past the part's 4096 bytes")]),
    "a record across a segment": (
        record(0, 2, b"\0\0") + record(0xFFFF, 0, b"ab") + END,
        [("PS621", "2:1-16", "the record runs past the end of its 64 KiB segment")]),
    "no data": (END, [("PS620", "1:1-1", "`unit.hex` holds no data")]),
    "nothing": ("", [("PS620", "", "`unit.hex` is empty")]),
    "blank lines": ("\n\n", [("PS624", "1:1-1",
                              "the end record is missing: the file was cut short")]),
    "two mistakes": (
        HELLO.replace("A1", "A2") + "junk\n" + END,
        [("PS623", "1:1-38", "the checksum is A2, A1 would be right"),
         ("PS621", "2:1-5", "this is not an Intel HEX record")]),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_is_not_whole_is_refused(name: str) -> None:
    """Every defect of an Intel HEX file is told with its place, and nothing is read."""
    text, expected = REFUSED[name]
    assert expected == refusals(text)
    assert {code for code, _, _ in expected} <= CODES


def test_a_file_of_another_kind_is_told_in_few_findings() -> None:
    """A long file that is wrong in every line does not flood the report."""
    assert 20 == len(refusals("nothing of the kind\n" * 5000))


@given(st.binary(max_size=200) | st.text(":0123456789ABCDEF\n", max_size=200).map(str.encode))
@settings(max_examples=300)
def test_arbitrary_content_is_read_or_refused(content: bytes) -> None:
    """Any bytes give a dump of the part's size or findings, nothing else."""
    try:
        assert 1024 == len(decode_image(content, HEX, "x.hex", 1024).data)
    except FindingsError as error:
        assert error.findings


@given(st.integers(0, len(KNOWN_GOOD) - 1), st.integers(0, 255))
@settings(max_examples=300)
def test_a_changed_file_is_never_read_as_other_data(at: int, value: int) -> None:
    """One changed byte of a file is refused or changes nothing (a checksum sees every one)."""
    content = bytearray(KNOWN_GOOD.encode())
    content[at] = value
    try:
        assert read(KNOWN_GOOD).data == decode_image(bytes(content), HEX, "x.hex", 4096).data
    except ParamstoreError as error:
        assert isinstance(error, FindingsError)
