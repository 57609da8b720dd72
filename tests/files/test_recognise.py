"""Signs of forms, texts that carry bytes in another alphabet, and tables with addresses."""

from __future__ import annotations

import base64
import binascii
from urllib.parse import quote_from_bytes

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, SourceText, ToolError
from paramstore.files.encoded import from_base64, holds_encoded, read, without_markup
from paramstore.files.forms import (
    FORMS,
    Dump,
    WriteOptions,
    encode_dump,
    encode_image,
    lay_on_part,
    read_dump,
    refuse_elsewhere,
    without_fill,
)
from paramstore.files.recognise import is_text, recognise
from paramstore.files.runs import Reading, Run, flatten
from paramstore.files.tables import as_dump, counting_row


@pytest.mark.parametrize(("head", "text"), [
    (b"a" * 49 + b"\x07", True), (b"a" * 48 + b"\x07", False),  # one garbled byte in 50 is borne
    (b"a" * 98 + b"\x07\x7f", True), (b"a" * 97 + b"\x07\x7f", False),
    (b"a\tb\r\n\f\b\x1b[2J" * 9, True), (b"\0" * 9, False),
    (b"\xb5" + b"a" * 49, True), (b"\xb5" + b"a" * 48, False),
    ("µ".encode() * 50, True), ("µ".encode() * 50 + b"\xe2\x82", True), (b"", True)])
def test_a_text_may_be_garbled_a_little(head: bytes, text: bool) -> None:
    """By one byte in fifty; a character that is cut at the end is none."""
    assert text is is_text(head)


@pytest.mark.parametrize(("content", "form"), [
    (b" :0401000041424344F1\n", "hex"), (b"\ts1070000414243449E\n", "srec"),
    (b"UF2\nWQ]\x9e" + bytes(504), "uf2"), (b"UF2\n" + bytes(8), "bin"),
    (b"0000: 50 53 4C D5\n", "text"), (b"uint8_t x[] = { 0x50, 0x53 };", "c"),
    (b".byte 0x50, 0x53\n", "c"), (b"x = { (uint8_t) 80, 83 };", "c"), (b"DB 50h, 53h\n", "c"),
    (b"50, 53, 4C, D5\n", "text"), (b"0x0000;50;53\n0x0002;4C;D5\n0x0004;FF;FF\n", "text"),
    (b"x" * 70_000 + b"\n:0401000041424344F1\n", "")])
def test_a_sign_tells_the_form(content: bytes, form: str) -> None:
    """One that stands near the beginning."""
    try:
        assert form == recognise(content, "x")
    except FindingsError as error:
        assert form == ""
        assert error.findings[0].message == "`x` is text, but of no form that is known"


@pytest.mark.parametrize(("text", "name"), [
    ("begin 644 x\n#0V%T\n", "a text encoded for mail (`begin` and a mode)"),
    (" <~9jqo^~>", "base85"), ("KBJU2VJ5 KBJU2VJ5\n", "base32"),
    ("=50=53=4C=D5=00", "quoted-printable"), ("0000000   P   S   L  \\0\n", "a dump as characters"),
    ("0000000  soh   P   S   L\n", "a dump as named characters"),
    ("$1 = 0 <repeats 15 times>", "what a debugger prints, with repeated values left out")])
def test_forms_that_are_not_read_are_named(text: str, name: str) -> None:
    """With a way out."""
    with pytest.raises(FindingsError) as caught:
        recognise(text.encode(), "x")
    (finding,) = caught.value.findings
    assert f"`x` is {name}, which is not read" == finding.message and finding.help


def test_two_signs_are_a_doubt() -> None:
    """Both candidates are named."""
    with pytest.raises(FindingsError) as caught:
        recognise(b":0401000041424344F1\nS107000041424344EA\n", "x")
    assert ("`x` may be of form hex or srec", "give --input-format hex or --input-format srec") == (
        caught.value.findings[0].message, caught.value.findings[0].help)


# ---- Other alphabets ----------------------------------------------------------------------------


@given(st.binary(min_size=6, max_size=60), st.booleans())
def test_base64_is_that_of_python(data: bytes, url: bool) -> None:
    """Of either alphabet, in lines or not; without its end, or too short, it is none."""
    text = (base64.urlsafe_b64encode if url else base64.b64encode)(data).decode()
    lines = "\n".join(text[at:at + 8] for at in range(0, len(text), 8))
    assert data == from_base64(text) == from_base64(lines)
    assert from_base64(text[:-1]) is None
    assert from_base64(text + "*") is None and from_base64("AAAAAA==") is None


@given(st.binary(min_size=16, max_size=80))
def test_encoded_bytes_are_read(data: bytes) -> None:
    """In base64 with its frame, with percent signs, as numbered entities."""
    plain = base64.encodebytes(data).decode()
    ways = [f"-----BEGIN X-----\n{plain}-----END X-----\n", f"data:x/y;base64,{plain}",
            "".join(f"%{byte:02X}" for byte in data),
            " ".join(f"&#x{byte:X};" for byte in data), "".join(f"&#{byte};" for byte in data)]
    for text in ways:
        mixed = any(map(str.isupper, plain)) and any(map(str.islower, plain)) and (
            any(map(str.isdigit, plain)) or "=" in plain)
        if "base64" in text or "BEGIN" in text:
            assume(mixed)
        assert holds_encoded(text)
        reading = read(SourceText("x", text))
        assert (data, False) == (flatten(reading.runs, 0, len(data))[0], reading.addressed)


@pytest.mark.parametrize("text", [
    "hello world, this is text", "ABCDEFGH" * 4, "0123456789abcdef" * 2, "abcdEFGH1234\nabc",
    "aB3=", "%41%42", "%41%42 %43", "&#65;&#66;&#67;", "&#65; and &#66;&#67;&#68;"])
def test_words_and_digits_are_no_encoding(text: str) -> None:
    """Nor is too little of it."""
    assert not holds_encoded(text)


def test_an_entity_beyond_a_byte_is_refused() -> None:
    """It is no byte of an EEPROM; 255 is one."""
    with pytest.raises(FindingsError, match="PS621"):
        read(SourceText("x", "&#65;&#66;&#67;&#256;"))
    assert b"ABC\xff" == read(SourceText("x", "&#65;&#66;&#67;&#255;")).runs[0].data


def test_percent_signs_are_those_of_the_web() -> None:
    """As Python writes them."""
    data = b"PSL\xd5\0\1\2\3"
    text = quote_from_bytes(data)
    assert holds_encoded(text) and data == read(SourceText("x", text)).runs[0].data


@pytest.mark.parametrize(("page", "text"), [
    (b"<pre>50 53<br>4C D5</pre>", b"50 53\n4C D5\n"), (b"a &amp; b", b"a & b"),
    (b"<table><tr><td>50</td><td>53</td></tr></table>", b"50 53 \n"), (b"1 < 2 > 0", b"1 < 2 > 0"),
    (b"<x>50</x>", b"<x>50</x>"), (b"50 53", b"50 53"), (b"<br>\xb5", b"<br>\xb5"),
    (b"&#65;&#66;&#67;&#38;", b"&#65;&#66;&#67;&#38;")])
def test_a_page_is_read_as_a_browser_shows_it(page: bytes, text: bytes) -> None:
    """What is no page stays as it is."""
    assert text == without_markup(page)


# ---- Tables -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("base", "rows", "taken"), [
    ("{:X}", 4, True), ("0x{:04X}", 3, True), ("{}", 12, True), ("{:X}h", 4, True),
    ("{:X}", 2, False)])
@pytest.mark.parametrize("mark", [";", ",", "\t"])
def test_a_table_of_addresses_is_a_dump(base: str, rows: int, taken: bool, mark: str) -> None:
    """Of three rows or more, whose addresses go up by the number of values."""
    text = "address\n" + "\n".join(
        mark.join([base.format(4 * n), "50", "53", "4C", "D5"]) for n in range(rows))
    found = as_dump(text)
    if taken:
        assert found is not None
        assert f"{base.format(4)}: 50 53 4C D5" == found.split("\n")[2]
    else:
        assert found is None


@pytest.mark.parametrize(("steps", "dump"), [
    ([4, 4, 4, 4], True), ([4, 4, 4, 8], False), ([4, 4, 4, 4, 8], True), ([4, 4, 4, 4, 0], False),
    ([1, 1, 1, 1], False)])
def test_rows_may_be_missing_in_a_table(steps: list[int], dump: bool) -> None:
    """If more than three times as many are not; but none may go back."""
    at, rows = 0, []
    for step in [*steps, 0]:
        rows.append(f"{at:X},50,53,4C,D5")
        at += step
    assert dump is (as_dump("\n".join(rows)) is not None)


@pytest.mark.parametrize(("text", "line"), [
    ("x\n1;50\n2;53\n3;4C\n4;D5", 2), ("10;50\n20;53\n30;4C\n40;D5", 1), ("1;50\n2;53\n3;4C", None),
    ("1;50\n2;53\n3;4C\n5;D5", None), ("4;50\n3;53\n2;4C\n1;D5", None),
    ("1;50\n2;53;00\n3;4C\n4;D5", None)])
def test_a_column_that_counts_is_no_byte(text: str, line: int | None) -> None:
    """Four rows or more, all of one length, going up by one step."""
    assert line == counting_row(text)


# ---- Where a file lies --------------------------------------------------------------------------


@pytest.mark.parametrize(("offset", "size", "around"), [
    (0, 256, ()), (16, 224, ((0, 16), (240, 256))), (0, 100, ((100, 256),)),
    (300, 256, ((256, 300), (556, 768)))])
def test_blocks_go_around_a_part(offset: int, size: int, around: tuple[object, ...]) -> None:
    """UF2 writes 256 bytes together; other forms end where the part does."""
    assert around == FORMS["uf2"].fill_outside(offset, size)
    assert () == FORMS["hex"].fill_outside(offset, size)


def test_only_fill_around_a_part_is_left_out() -> None:
    """Bytes of one value; others are of something else, and stay."""
    def reading(*runs: Run) -> Reading:
        return Reading("uf2", "UF2", SourceText("x", ""), runs)

    inside = Run(16, bytes(range(224)))
    for before, kept in ((b"\xff" * 16, False), (b"\0" * 16, False), (b"\xff" * 15 + b"\0", True)):
        whole = Run(0, before + inside.data + b"\xff" * 16)
        (run,) = without_fill(reading(whole), 224, 16).runs
        assert (0 if kept else 16, 240) == (run.address, run.end)
        assert whole.data[run.address:run.end] == run.data
    alone = without_fill(reading(Run(0, b"\xff" * 16), inside), 224, 16)
    assert (inside,) == alone.runs


@pytest.mark.parametrize(("address", "size", "offset", "there"), [
    (16, 16, 0, False), (16, 17, 0, True), (16, 16, 16, True), (0, 16, 15, True),
    (0, 16, 16, False)])
def test_a_file_has_something_of_the_part(address: int, size: int, offset: int,
                                          there: bool) -> None:
    """One byte is enough."""
    reading = Reading("hex", "Intel HEX", SourceText("x", ""), (Run(address, bytes(16)),))
    try:
        refuse_elsewhere(reading, size, offset)
    except FindingsError as error:
        assert not there
        assert f"goes from 0x{address:X} to 0x{address + 15:X}" in error.findings[0].message
    else:
        assert there


@pytest.mark.parametrize(("first", "message"), [
    (31, "the file begins at 0x1F, before the part"), (32, None), (48, None),
    (49, "the file goes on to 0x40, past the part's 32 bytes")])
def test_data_outside_the_part_is_refused(first: int, message: str | None) -> None:
    """To the byte."""
    reading = Reading("hex", "Intel HEX", SourceText("x", ""), (Run(first, bytes(16)),))
    if message is None:
        dump = lay_on_part(reading, 32, 32)
        assert (32, 16) == (len(dump.data), sum(b - a for a, b in dump.gaps))
        return
    with pytest.raises(FindingsError) as caught:
        lay_on_part(reading, 32, 32)
    assert message == caught.value.findings[0].message


def test_a_dump_with_holes_is_written() -> None:
    """Left out where the form can, else with a byte that is given; without one it is refused."""
    dump = Dump(bytes(range(8)), ((0, 2), (4, 5)))
    text = encode_dump(dump, FORMS["hex"], WriteOptions(), None)
    data, gaps = flatten(read_dump(text, "x").runs, 0, 8)
    assert ((0, 2), (4, 5)) == gaps and (data[2:4], data[5:]) == (b"\2\3", b"\5\6\7")
    assert b"\xaa\xaa\2\3\xaa\5\6\7" == encode_dump(dump, FORMS["bin"], WriteOptions(), 0xAA)
    with pytest.raises(ToolError, match="raw binary cannot leave out the 3 bytes"):
        encode_dump(dump, FORMS["bin"], WriteOptions(), None)
    whole = Dump(bytes(8))
    assert encode_image(whole.data, FORMS["bin"]) == encode_dump(
        whole, FORMS["bin"], WriteOptions(), None)


@pytest.mark.parametrize(("offset", "fits"), [(-1, False), ((1 << 32) - 8, True),
                                              ((1 << 32) - 7, False)])
def test_addresses_have_32_bits(offset: int, fits: bool) -> None:
    """The last byte may lie at 0xFFFFFFFF."""
    if fits:
        assert binascii.hexlify(encode_image(bytes(8), FORMS["hex"], WriteOptions(offset)))
    else:
        with pytest.raises(ToolError, match="does not fit"):
            encode_image(bytes(8), FORMS["hex"], WriteOptions(offset))
