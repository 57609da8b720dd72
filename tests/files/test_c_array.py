"""C arrays: what is written compiles to the image, and what people paste is read or refused."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.files.c_array import read
from paramstore.files.forms import FORMS, WriteOptions, encode_image
from paramstore.files.runs import Order, Reading, ReadOptions
from paramstore.verify.rig.toolchain import find_compiler


def reading(text: str, order: Order | None = None) -> Reading:
    return read(text.encode(), "x.c", ReadOptions(order, lambda data: b"PSL" in data))


def test_a_compiler_finds_the_same_bytes(tmp_path: Path) -> None:
    """The array that is written is C, and holds the image."""
    image = bytes(range(256)) + b"\xff" * 40
    source, target = tmp_path / "image.c", tmp_path / "program"
    source.write_bytes(
        encode_image(image, FORMS["c"], WriteOptions(name="unit_7"))
        + b"#include <stdio.h>\nint main(void) { return fwrite(unit_7, 1, sizeof unit_7, stdout)"
        + b" != sizeof unit_7; }\n")
    program = find_compiler().program([source], target, ["-Wall", "-Werror"])
    assert image == subprocess.run([program], check=True, capture_output=True).stdout


READ = {
    "a declared array": ("const unsigned char x[] = {0x50, 0x53, 0x4c};", b"PSL"),
    "every kind of number": (
        "uint8_t x[9] = { 0x50, 83, 0114, 0b11, 'A', '\\n', '\\x7f', 1u, 0XFFUL };",
        b"PSL\3A\n\x7f\1\xff"),
    "the rest of an array is 0": ("uint8_t x[6] = {0x50, 0x53};", b"PS\0\0\0\0"),
    "comments": ("// {1, 2}\nu8 x[] = { 0x50, /* 0x51,\n */ 0x53, // {9}\n 1};", b"PS\1"),
    "other brackets": ("#include <a.h>\nint n[3];\nstatic const uint8_t x[2] __attribute__(("
                       "section(\".e\"))) = {\n1,\n2\n};\nint f(int i) { return n[i]; }", b"\1\2"),
    "a list of decimals": ("[80, 83, 76, 213]", b"PSL\xd5"),
    "numbers alone": ("0x50, 0x53,\n0x4C,\n", b"PSL"),
    "words, known by what they hold": ("uint16_t x[] = { 0x5350, 0xd54c };", b"PSL\xd5"),
    "words the other way": ("uint32_t x[] = { 0x50534cd5 };", b"PSL\xd5"),
}


def test_an_array_that_lost_its_end_is_told() -> None:
    """0 as in C, but a dump that was cut looks the same."""
    found = reading("uint8_t x[6] = {0x50, 0x53,\n};")
    (warning,) = found.findings
    assert ("PS636", "the array has 6 elements, and the last 4 are not given") == (
        warning.code, warning.message)
    assert warning.span is not None and (1, 16) == (warning.span.line, warning.span.column)


@pytest.mark.parametrize("name", READ)
def test_arrays_are_read(name: str) -> None:
    """Numbers of every base, comments, declarations around them, short arrays, words."""
    text, expected = READ[name]
    assert expected == reading(text).runs[0].data


def test_the_order_of_words_can_be_forced() -> None:
    """What nothing tells, a person does; and it is said."""
    text = "uint16_t x[2] = { 0x0102, 0x0304 };"
    assert b"\1\2\3\4" == reading(text, Order.BIG).runs[0].data
    little = reading(text, Order.LITTLE)
    assert b"\2\1\4\3" == little.runs[0].data
    assert "C array of 16-bit words, low byte first" == little.title


REFUSED = {
    "words without a known order": (
        "uint16_t x[2] = { 0x0102, 0x0304 };", "PS630", "1:18",
        "the elements have 2 bytes, and nothing tells which of them comes first on the EEPROM"),
    "two arrays": ("char a[] = {1, 2};\nchar b[] = {3, 4};", "PS629", "1:12",
                   "the text holds 2 arrays"),
    "no array": ("int main(void) { return 0; }", "PS629", "1:1",
                 "the text holds no array of numbers"),
    "a name": ("uint8_t x[] = { 1,\n SIZE, 2 };", "PS621", "2:2", "this is not a number"),
    "too large": ("uint8_t x[] = { 1, 256 };", "PS621", "1:20", "`256` does not fit in 1 byte"),
    "negative": ("int8_t x[] = { 1, -129 };", "PS621", "1:19", "`-129` does not fit in 1 byte"),
    "endless": ("uint8_t x[900000000] = { 1 };", "PS626", "1:24",
                "an array of 900000000 elements is no dump of one EEPROM"),
    "a number without end": ("uint8_t x[] = { 1, " + "9" * 5000 + " };", "PS621", "1:20",
                             "this is not a number"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_not_plain_numbers_is_refused(name: str) -> None:
    """What would need a compiler, or is doubtful, is an error with its place."""
    text, code, place, message = REFUSED[name]
    with pytest.raises(FindingsError) as caught:
        reading(text)
    found = caught.value.findings[0]
    assert found.span is not None
    assert (code, place, message) == (
        found.code, f"{found.span.line}:{found.span.column}", found.message)


@given(st.binary(min_size=2, max_size=80),
       st.sampled_from(["0x{:02X}", "{:d}", "0x{:x}u", "{:#b}", "'\\x{:02x}'", "0{:o}"]),
       st.sampled_from([", ", ",\n", " ,\t"]))
def test_any_spelling_gives_the_bytes(content: bytes, number: str, comma: str) -> None:
    """Bytes spelled in any way come back."""
    text = f"const uint8_t data[] = {{{comma.join(number.format(b) for b in content)}}};"
    assert content == reading(text).runs[0].data


@given(st.text("{}[]=,;/*'\\x0159afu \n\"", max_size=60))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Nothing else comes out than bytes or findings."""
    try:
        assert re.fullmatch("C array.*", reading(text).title)
    except FindingsError as error:
        assert error.findings


WAYS = {
    "decimal": str, "hexadecimal": lambda n: f"0x{n:02x}", "capitals": lambda n: f"0X{n:02X}",
    "binary": lambda n: f"0b{n:b}", "octal": lambda n: f"0{n:o}",
    "assembler": lambda n: f"0{n:02X}h",
    "dollar": lambda n: f"${n:02X}", "basic": lambda n: f"&H{n:02X}", "suffix": lambda n: f"{n}u",
    "long": lambda n: f"0x{n:X}UL", "rust": lambda n: f"{n}u8", "signed": lambda n: (
        str(n - 256 if n > 127 else n)),
    "octal character": lambda n: f"'\\{n:o}'",
    "character": lambda n: f"'\\x{n:02x}'",
}
"""Ways in which languages write a byte."""


@given(st.binary(min_size=4, max_size=40), st.sampled_from(sorted(WAYS)))
def test_a_byte_is_read_however_it_is_written(data: bytes, way: str) -> None:
    """Numbers of every base with their marks, and characters."""
    text = f"const uint8_t x[] = {{ 0x1F, {', '.join(map(WAYS[way], data))} }};"
    assert b"\x1f" + data == reading(text).runs[0].data


def test_characters_with_a_backslash() -> None:
    """The escapes of C (C99, 6.4.4.4), and characters that stand for themselves."""
    escapes = {"\\0": 0, "\\n": 10, "\\r": 13, "\\t": 9, "\\\\": 92, "\\'": 39, '\\"': 34,
               "A": 65, '"': 34, " ": 32, "~": 126}
    text = "uint8_t x[] = { " + ", ".join(f"'{c}'" for c in escapes) + " };"
    assert bytes(escapes.values()) == reading(text).runs[0].data


@pytest.mark.parametrize("word", [".byte", "db", "DB", "  .db", "dc.b", "FCB", "start: .byte"])
def test_directives_of_assemblers_are_no_data(word: str) -> None:
    """At the beginning of each line, in either case."""
    lines = (f"{word} 0x50, 0x53", f"{word} 0x4C, 0xD5", f"{word} 0x01")
    assert b"PSL\xd5\1" == reading("\n".join(lines) + "\n").runs[0].data


@pytest.mark.parametrize(("text", "mend"), [
    ("uint8_t x[] = {1, 300};", "correct the number"), ("{1, -200}", "correct the number"),
    ("x = {1, 300}", "declare the array with its type, as `uint16_t`")])
def test_a_number_that_is_too_large_may_be_a_word(text: str, mend: str) -> None:
    """If nobody said that it is a byte."""
    with pytest.raises(FindingsError) as caught:
        reading(text)
    assert ("PS621", mend) == (caught.value.findings[0].code, caught.value.findings[0].help)
