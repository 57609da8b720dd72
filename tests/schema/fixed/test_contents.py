"""Bytes to values: what a schema says lies somewhere is what is read from there.

Images are made here bit by bit, from the meaning of places in SCHEMA.md alone.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterator
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, SourceText
from paramstore.files.runs import Reading, Run
from paramstore.inspect.fixed import examine_fixed
from paramstore.report.fixed import (
    fixed_data,
    fixed_plan_data,
    fixed_plan_text,
    fixed_text,
    fixed_toml,
)
from paramstore.report.pages.fixed import fixed_page, layout_page
from paramstore.schema.fixed.contents import checksum, read_image
from paramstore.schema.fixed.found import FixedGroupContents, GroupPresence
from paramstore.schema.fixed.keys import CHECK_KEYS, FIXED_PARAMETER_KEYS, FIXED_TYPES, SECTION_KEYS
from paramstore.schema.fixed.model import FixedLayout
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.from_raw import from_raw

SIZE = 24


def layout_of(lines: str, size: int = SIZE, order: str = "little",
              head: str = "[group.demo.parameter]") -> FixedLayout:
    text = f'[fixed]\nname = "demo"\nsize = {size}\norder = "{order}"\n\n{head}\n{lines}\n'
    layout, findings = read_layout(SourceText("demo.toml", text))
    assert () == findings
    return layout


def findings_of(lines: str, head: str) -> list[tuple[str, str]]:
    """Code and help of what is wrong with a layout."""
    with pytest.raises(FindingsError) as caught:
        layout_of(lines, head=head)
    return [(f.code, f.help) for f in caught.value.findings]


def read(lines: str, image: bytes, order: str = "little") -> FixedGroupContents:
    return read_image(layout_of(lines, len(image), order), image).groups[0]


def value(found: FixedGroupContents, name: str) -> object:
    return from_raw(found.group.parameter(name).fields[0], found.values[name])


# ---- Laws ---------------------------------------------------------------------------------------


@st.composite
def scattered(draw: st.DrawFn) -> tuple[str, bytes, list[tuple[str, int]]]:
    """Lines of parameters of scattered bits, an image, and the number that each has in it."""
    free = [(byte, bit) for byte in range(SIZE) for bit in range(8)]
    image = bytearray(draw(st.binary(min_size=SIZE, max_size=SIZE)))
    lines, numbers = [], []
    for index in range(draw(st.integers(1, 6))):
        signed = draw(st.booleans())
        pieces: list[str] = []
        bits: list[tuple[int, int]] = []
        for _ in range(draw(st.integers(1, 4))):
            byte, low = draw(st.sampled_from(free))
            width = draw(st.integers(1, 8 - low))
            piece = [(byte, low + n) for n in reversed(range(width))]
            if len(bits) + width > 64 or not set(piece) <= set(free):
                continue
            free = [spot for spot in free if spot not in piece]
            bits += piece
            pieces.append(f"0x{byte:02X}.{low + width - 1}-{low}")
        if not bits:
            continue
        number = draw(st.integers(0, (1 << len(bits)) - 1))
        for n, (byte, bit) in enumerate(bits):
            image[byte] &= ~(1 << bit)
            image[byte] |= (number >> len(bits) - 1 - n & 1) << bit
        if signed and number >> len(bits) - 1:
            number -= 1 << len(bits)
        kind = "i64" if signed else "u64"
        lines.append(f'p{index} = {{ type = "{kind}", bits = {pieces} }}'.replace("'", '"'))
        numbers.append((f"p{index}", number))
    return "\n".join(lines), bytes(image), numbers


@given(scattered().filter(lambda drawn: drawn[2]))
def test_scattered_bits(drawn: tuple[str, bytes, list[tuple[str, int]]]) -> None:
    """A number is gathered from its bits, the highest first, wherever they lie."""
    lines, image, numbers = drawn
    found = read(lines, image)
    assert dict(numbers) == {name: raws[0] for name, raws in found.values.items()}


@given(st.sampled_from("bBhHiIqQfd"), st.sampled_from(["little", "big"]), st.integers(0, 8),
       st.binary(min_size=SIZE, max_size=SIZE))
def test_whole_numbers_are_those_of_struct(code: str, order: str, at: int, image: bytes) -> None:
    """Numbers of whole bytes are read as `struct` reads them, in either order."""
    size = struct.calcsize("<" + code)
    kind = f"{'f' if code in 'fd' else 'i' if code.islower() else 'u'}{8 * size}"
    (expected,) = struct.unpack_from(("<" if order == "little" else ">") + code, image, at)
    (raw,) = read(f'a = {{ type = "{kind}", at = {at} }}', image, order).values["a"]
    assert expected == raw or (math.isnan(expected) and math.isnan(raw))


@given(st.binary(max_size=SIZE + 4))
def test_short_images_give_what_they_hold(image: bytes) -> None:
    """A parameter is read if all of its bytes are there, and only then."""
    layout = layout_of('a = { type = "u16", at = 0 }\nb = { type = "u32", at = 10 }\n'
                       'c = { type = "u8", bits = ["23.0", "2.0"] }')
    found = read_image(layout, image)
    ends = {"a": 2, "b": 14, "c": 24}
    assert {n for n, end in ends.items() if len(image) >= end} == set(found.groups[0].values)
    presence = GroupPresence.CUT if len(image) < 2 else GroupPresence.THERE
    assert presence is found.groups[0].presence
    assert len(found.image) <= SIZE


@given(st.binary(min_size=16, max_size=16))
def test_checksums_are_those_of_others(image: bytes) -> None:
    """Sum, exclusive or and CRC-32 are what Python's own functions give."""
    layout = layout_of(
        'a = { type = "sum", over = ["0-7"], at = 8, width = 16 }\n'
        'b = { type = "sum_zero", over = ["0-3", "10"], at = 11 }\n'
        'c = { type = "crc", width = 32, polynomial = 0x04C11DB7, initial = 0xFFFFFFFF, '
        'final = 0xFFFFFFFF, reflected = true, over = ["2-15", "0-1"], at = 12, itself = 0xEE }\n',
        16, head="[group.demo.check]")
    a, b, c = layout.groups[0].checks
    assert sum(image[:8]) == checksum(a, image)
    assert 0 == (sum(image[:4]) + image[10] + checksum(b, image)) % 256
    assert zlib.crc32(image[2:12] + b"\xee" * 4 + image[:2]) == checksum(c, image)


# ---- Kinds --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("line", "image", "expected"), [
    ('a = { type = "text", size = 5, at = 0, end = 0x0A, fill = 0x20 }', b"AB\n  ", "AB"),
    ('a = { type = "text", size = 5, at = 0, end = 0x0A, fill = 0x20 }', b"AB   ", "AB"),
    ('a = { type = "text", size = 5, at = 0, end = 0x0A, fill = 0x20 }', b"AB \n ", "AB "),
    ('a = { type = "text", size = 5, at = 0, fill = 0xFF }', b"ABC\xff\xff", "ABC"),
    ('a = { type = "text", size = 5, at = 0 }', b"AB\0CD", "AB"),
    ('a = { type = "bytes", size = 2, at = 1 }', b"\0\x01\xff", "01 FF"),
    ('a = { type = "letters", size = 3, bits = ["0.6-0", "1"] }', b"\x4e\xae", "SUN"),
    ('a = { type = "letters", size = 2, bits = ["0"], alphabet = "0123456789", first = 0 }',
     b"\x42", "42"),
    ('a = { type = "u8", at = 0, count = 3, every = 2 }', b"\1\2\3\4\5", [1, 3, 5]),
    ('a = { type = "u8", bits = ["0.7-4"], count = 2, every = 1 }', b"\x12\x34", [1, 3]),
    ('a = { type = "bool", bits = ["0.3"] }', b"\x08", True),
    ('a = { type = "i16", bits = ["0.3-0", "1"] }', b"\x0f\xff", -1),
    ('a = { type = "enum", bits = ["0.3-0", "1"], members = { x = 0, y = 0x123 } }', b"\xf1\x23",
     "y"),
    ('a = { type = "flags", bits = ["0.5-4"], members = ["x", "y"] }', b"\x20", ["y"]),
])
def test_kinds(line: str, image: bytes, expected: object) -> None:
    """Each kind of parameter gives what a person means by it."""
    assert expected == value(read(line, image), "a")


def test_no_value() -> None:
    """The number for no value is compared as stored, of a signed number as well."""
    lines = ('a = { type = "u16", at = 0, none = 0xFFFF }\n'
             'b = { type = "i8", at = 2, none = -1 }\nc = { type = "i8", at = 3, none = 0x7F }')
    found = read(lines, b"\xff\xff\xff\xff")
    assert (frozenset({"a", "b"}), {"c": (-1,)}) == (found.unset, found.values)


@pytest.mark.parametrize(("image", "there"), [
    (b"\x12\x05", True), (b"\xff\x05", True), (b"\x1a\x05", True), (b"\xff\xff", True),
    (b"\x1a\xff", True), (b"\x12", True), (b"\xff", True), (b"\x1a", True), (b"", False)])
def test_a_group_of_which_anything_is_read_is_there(image: bytes, there: bool) -> None:
    """A value, the number for no value, and bits that stand for nothing are something."""
    layout = layout_of('a = { type = "u8", at = 0, coding = "bcd", none = 0xFF }\n'
                       'b = { type = "u8", at = 1, none = 0xFF }')
    (found,) = read_image(layout, image).groups
    assert there is (found.presence is GroupPresence.THERE)
    lone = layout_of('c = { type = "sum", over = ["0"], at = 1 }', head="[group.demo.check]")
    (found,) = read_image(lone, image).groups
    assert (len(image) == 2) is (found.presence is GroupPresence.THERE)


@pytest.mark.parametrize(("number", "letter"), [(4, "\ufffd"), (5, "P"), (7, "R"), (8, "\ufffd")])
def test_letters_are_those_of_the_alphabet(number: int, letter: str) -> None:
    """From its first number to its last; others are shown as none."""
    found = read('a = { type = "letters", size = 1, bits = ["0"], alphabet = "PQR", first = 5 }',
                 bytes([number]))
    assert letter == value(found, "a")


def test_what_is_not_known_is_not_read() -> None:
    """Gaps of a dump: a value there is missing, a condition there leaves its group open."""
    layout = layout_of('when = { bits = ["0"], is = 1 }\n[group.demo.parameter]\n'
                       'a = { type = "u8", at = 1 }\nb = { type = "u8", at = 2 }\n',
                       head="[group.demo]")
    image = b"\1\2\3".ljust(24, b"\0")
    there, cut = GroupPresence.THERE, GroupPresence.CUT
    for gap, presence, names in (((1, 2), there, {"b"}), ((0, 1), cut, set()),
                                 ((3, 4), there, {"a", "b"})):
        (found,) = read_image(layout, image, (gap,)).groups
        assert (presence, names) == (found.presence, found.values.keys())


def test_blocks_and_conditions() -> None:
    """Each block has its own addresses, its own condition and its own checksum."""
    layout = layout_of(
        'at = 1\ncount = 3\nevery = 3\nwhen = { bits = ["0.7"], is = 1 }\n'
        '[group.demo.parameter]\na = { type = "u8", bits = ["0.6-0"] }\n'
        '[group.demo.check]\nsum = { type = "xor", over = ["0-1"], at = 2 }',
        10, head="[group.demo]")
    found = read_image(layout, bytes([9, 0x81, 1, 0x80, 0x02, 0, 0, 0x83, 0, 0]))
    assert ["demo_1", "demo_2", "demo_3"] == [g.group.name for g in found.groups]
    there, absent = GroupPresence.THERE, GroupPresence.ABSENT
    assert [there, absent, there] == [g.presence for g in found.groups]
    assert [(1,), (3,)] == [g.values["a"] for g in found.groups if g.values]
    assert [[True], [], [False]] == [[r.right for r in g.checks] for g in found.groups]


# ---- Hostile schemas ----------------------------------------------------------------------------

_ODD = st.one_of(
    st.sampled_from(["0", "-1", "1", "7", "23", "24", "8", "65536", "4294967296", "1e400", "nan",
                     "1.5", "true", '""', '"u8"', '"0.7-0"', '"3"', "[]", '["0"]', '["0", "1"]',
                     '["1.7-4"]', '["0-3"]', '["99999999"]', "[1]", "{}", '["x", "y"]',
                     '{ x = 1 }', '{ bits = ["0"], is = 1 }', "2020-01-01", '"a.b"', '"crc"',
                     '"sum"', '"big"', '"bcd"', '"unix"', '"packed"', '"u32"', '"p0"',
                     '"p1"', '"g.p0"', "18446744073709551616",
                     '{ bits = ["0"], above = 0 }', '{ bits = ["0"], from = "image", bit = 0 }']),
    st.integers(-300, 300).map(str))


def _table(keys: list[str]) -> st.SearchStrategy[str]:
    return st.dictionaries(st.sampled_from(keys), _ODD, max_size=6).map(
        lambda d: "{ " + ", ".join(f"{k} = {v}" for k, v in d.items()) + " }")


def _parameters() -> Iterator[st.SearchStrategy[str]]:
    for kind, info in FIXED_TYPES.items():
        keys = [k for k in FIXED_PARAMETER_KEYS if k in info.keys and k != "type"]
        yield _table(keys).map(partial(_typed, kind))


def _typed(kind: str, table: str) -> str:
    return f'{{ type = "{kind}"' + (f", {table[2:]}" if table != "{  }" else " }")


@given(st.lists(st.one_of(*_parameters()), max_size=3), _table(list(CHECK_KEYS)),
       st.dictionaries(st.sampled_from([k for k in SECTION_KEYS if k not in (
           "parameter", "check")]), _ODD, max_size=3), _ODD)
def test_any_schema_is_read_or_refused(parameters: list[str], check: str, group: dict[str, str],
                                       size: str) -> None:
    """Whatever keys hold: a layout that reads any image, or findings; never another exception."""
    lines = [f"[fixed]\nname = \"a\"\nsize = {size if size.isdigit() else 24}", "[group.g]",
             *(f"{k} = {v}" for k, v in group.items()), "[group.g.parameter]",
             *(f"p{i} = {p}" for i, p in enumerate(parameters)), "[group.g.check]", f"c = {check}"]
    try:
        layout, _ = read_layout(SourceText("a.toml", "\n".join(lines) + "\n"))
    except FindingsError as error:
        assert error.findings
        return
    for image in (b"\0", bytes(24), b"\xff" * min(layout.size, 1000)):
        found = examine_fixed(Reading("bin", "", SourceText("d", ""), (Run(0, image),)), layout)
        assert fixed_text(found) and fixed_data(found) and fixed_toml(found.contents)
        assert fixed_page(found)
    assert fixed_plan_text(layout) and fixed_plan_data(layout) and layout_page(layout)
