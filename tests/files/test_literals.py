"""Strings that hold bytes, and texts in other alphabets: read by their rules, or refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.files.forms import read_dump
from paramstore.files.runs import Reading


def reading(text: str) -> Reading:
    return read_dump(text.encode(), "x.txt")


@given(st.binary(min_size=8, max_size=80).map(lambda d: d + b"\0\xff"))
def test_what_python_writes_is_what_it_reads(data: bytes) -> None:
    """`repr` of any bytes: the language itself is the other reader."""
    for text in (repr(data), f"x = {bytearray(data)!r}", f"a = (\n {data[:5]!r}\n {data[5:]!r}\n)"):
        assert data == reading(text).runs[0].data, text


@pytest.mark.parametrize(("text", "code", "message"), [
    ('char e[] = "\\x50\\x53\\x0A1\\x01\\x02";', "PS638",
     "`\\x0A1` is one byte in C, and more in other languages"),
    ('a = b"\\x50\\x53\\x01"\nb = b"\\x50\\x53\\x01"\n', "PS629", "the text holds several values"),
    ('$1 = "\\a\\f\\022\\310SU\\t", \'\\000\' <repeats 53 times>\n', "PS628",
     "`x.txt` is what a debugger prints, with repeated values left out, which is not read"),
    ('b"\\x50\\x53\\q\\x01\\x02"', "PS621", "`\\q` is no escape that is known"),
    ('"\\x50\\x53\\x01\u00e9\\x02"', "PS621", "this sign is no byte that a string can hold"),
    ('"\\x50\\x53\\777\\x02\\x03"', "PS621", "`\\7` is no escape that is known"),
    ("07, 12, 18, 25\n", "PS638", "`12` may be decimal, octal or hexadecimal"),
    ("50, 53, 44, 12\n", "PS638", "`50` may be decimal, octal or hexadecimal"),
    ("uint8_t e[] = { 007, 012, 018 };", "PS638", "`018` may be decimal, octal or hexadecimal"),
    ("uint8_t e[] = { (uint8_t)-129, 2 };", "PS621", "`-129` does not fit in 1 byte"),
    ("0,0x50,80\n1,0x53,83\n2,0x4c,76\n3,0xd5,213\n", "PS631",
     "the first number of each line counts up, but not by the number of values behind it"),
])
def test_what_can_be_two_things_is_refused(text: str, code: str, message: str) -> None:
    """Each with its place and a way out."""
    with pytest.raises(FindingsError) as caught:
        reading(text)
    finding = caught.value.findings[0]
    assert (code, message) == (finding.code, finding.message)
    assert finding.help


@pytest.mark.parametrize("text", [
    'char e[] = "PSL\\325\\001" "A\\0";', "b'PSL\\xd5\\x01A\\x00'",
    'e = "\\x50\\x53L\\xd5\\x01" "A\\0"',
    '{"eeprom": "50534cd5014100"}', "UFNM1QFBAABhYmNk", "PSL%D5%01A%00",
    "&#80;&#83;&#76;&#213;&#1;&#65;&#0;", "\\x50\\x53\\x4c\\xd5\\x01\\x41\\x00",
    "(char)0x50, (char)'S', (char)76, (char)0xd5, 1, 'A', 0",
])
def test_the_same_bytes_in_other_words(text: str) -> None:
    """Escapes, hex digits, base64, percent signs, entities and casts."""
    assert reading(text).runs[0].data.startswith(b"PSL\xd5\x01A\0")


@given(st.text("\"'\\bx0519afA+/=%&#;<>(){}[],: \n", max_size=120))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Nothing else comes out than bytes or findings."""
    try:
        reading(text)
    except FindingsError as error:
        assert error.findings


@given(st.binary(min_size=8, max_size=40).map(lambda d: d + b"\0\xff"))
def test_escapes_in_octal_are_those_of_c(data: bytes) -> None:
    """Three digits each, in one string or in several, in a comparison too."""
    body = "".join(f"\\{byte:03o}" for byte in data)
    for text in (f'char e[] = "{body}";', f'char e[] = "{body[:16]}"\n  "{body[16:]}";'):
        assert data == reading(text).runs[0].data


def test_a_mistake_is_shown_where_it_stands() -> None:
    """In the line and column of its escape, whatever lines come before."""
    with pytest.raises(FindingsError) as caught:
        reading('char e[] = "\\x50\\x53\\x01"\n  "\\x50\\q\\x01";\n')
    span = caught.value.findings[0].span
    assert span is not None and (2, 8) == (span.line, span.column)


def test_a_comparison_is_one_value() -> None:
    """`==` gives nothing a second value."""
    text = 'assert data == b"\\x50\\x53\\x01\\xff\\x00\\x07"\n'
    assert b"PS\1\xff\0\7" == reading(text).runs[0].data
