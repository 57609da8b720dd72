"""What careful people write by hand: sums in other forms, coded dates, copies, counted blocks.

Expected values are published ones, their source beside them, or made here by other means. All
example data are invented.
"""

from __future__ import annotations

import struct
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, SourceText
from paramstore.inspect.fixed import faults_in
from paramstore.schema.fixed.contents import checksum, read_image
from paramstore.schema.fixed.found import Copy, GroupPresence
from paramstore.schema.fixed.reader import read_layout
from tests.schema.fixed.test_contents import layout_of, read, value

# ---- Checksums ----------------------------------------------------------------------------------


def computed(line: str, data: bytes, size: int = 8, order: str = "little") -> int:
    """What a checksum gives over `data`; it stands behind them."""
    layout = layout_of(
        f'c = {{ {line}, over = ["0-{len(data) - 1}"], at = {len(data)} }}', len(data) + size,
        order, head="[group.demo.check]")
    return checksum(layout.groups[0].checks[0], data + bytes(size))


@pytest.mark.parametrize(("text", "width", "expected"), [
    # The usual test vectors of the Fletcher checksum, as articles on it give them (words with the
    # low byte first, a last word filled up with zero bytes).
    (b"abcde", 16, 0xC8F0), (b"abcdef", 16, 0x2057), (b"abcdefgh", 16, 0x0627),
    (b"abcde", 32, 0xF04FC729), (b"abcdef", 32, 0x56502D2A), (b"abcdefgh", 32, 0xEBE19591),
    (b"abcde", 64, 0xC8C6C527646362C6), (b"abcdef", 64, 0xC8C72B276463C8C6),
    (b"abcdefgh", 64, 0x312E2B28CCCAC8C6),
])
def test_fletcher(text: bytes, width: int, expected: int) -> None:
    """A Fletcher checksum of 16, 32 or 64 bits is the published one."""
    assert expected == computed(f'type = "fletcher", width = {width}', text)


@given(st.binary(min_size=1, max_size=60))
def test_fletcher_of_bytes_that_roll_over(data: bytes) -> None:
    """With `modulo = 256` it is the pair of sums that RFC 1145 (8-bit Fletcher algorithm, option 1)
    makes of bytes: A = A + D, B = B + A."""
    a = b = 0
    for byte in data:
        a = (a + byte) & 0xFF
        b = (b + a) & 0xFF
    assert b << 8 | a == computed('type = "fletcher", width = 16, modulo = 256', data)


@given(st.binary(min_size=1, max_size=60), st.integers(0, 0xFFFF))
def test_fletcher_that_does_not_begin_with_zero(data: bytes, initial: int) -> None:
    """Both sums begin in the halves in which they end."""
    a, b = initial & 0xFF, initial >> 8
    for byte in data:
        a = (a + byte) & 0xFF
        b = (b + a) & 0xFF
    line = f'type = "fletcher", width = 16, modulo = 256, initial = {initial}'
    assert b << 8 | a == computed(line, data)


def test_fletcher_of_words_in_the_other_order() -> None:
    """Words of the big end are those of swapped bytes of the little one."""
    line = 'type = "fletcher", width = 32'
    assert computed(line, b"abcdef") == computed(line, b"badcfe", order="big")


@pytest.mark.parametrize(("line", "expected"), [
    ('type = "sum", final = 0xFF', ~(1 + 2 + 250) & 0xFF),
    ('type = "sum", width = 16, final = 0xFFFF', ~(1 + 2 + 250) & 0xFFFF),
    ('type = "sum", initial = 0xA5', (0xA5 + 1 + 2 + 250) & 0xFF),
    ('type = "xor", final = 0xFF, initial = 0x5A', 0x5A ^ 1 ^ 2 ^ 250 ^ 0xFF),
])
def test_inverted_and_begun_sums(line: str, expected: int) -> None:
    """A sum may be inverted, and need not begin with 0."""
    assert expected == computed(line, bytes([1, 2, 250]))



# ---- Numbers ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "expected"), [
    # IEEE 754-2019, binary16; the examples are those that articles on it commonly give.
    (0x3C00, 1.0), (0x3C01, 1.0009765625), (0xC000, -2.0), (0x7BFF, 65504.0),
    (0x0400, 2.0 ** -14), (0x0001, 2.0 ** -24), (0x03FF, 1023 * 2.0 ** -24),
    (0x3555, 0.333251953125),
    (0x8000, -0.0), (0x7C00, float("inf")),
])
def test_half_precision(bits: int, expected: float) -> None:
    """An `f16` is an IEEE 754 binary16."""
    found = read('a = { type = "f16", at = 0, order = "big" }', bits.to_bytes(2, "big"))
    assert (expected,) == found.values["a"]


@given(st.integers(0, 0x7BFF))
def test_half_precision_is_shown_short(bits: int) -> None:
    """The digits that are shown are enough to tell each value from all others."""
    image = bits.to_bytes(2, "little")
    shown = value(read('a = { type = "f16", at = 0 }', image), "a")
    assert image == struct.pack("<e", shown)
    assert len(f"{shown:e}".split("e")[0].rstrip("0").replace(".", "")) <= 5


def test_half_precision_has_limits() -> None:
    """Limits and constants are rounded to the nearest value of 16 bits, exactly."""
    layout = layout_of('a = { type = "f16", at = 0, min = 0, max = 0.1 }\n'
                       'b = { type = "f16", at = 2, always = 2049.0000001 }')
    a, b = layout.groups[0].items
    assert ((0.0, struct.unpack("<e", struct.pack("<e", 0.1))[0]),) == a.field.limits.ranges
    assert (2050.0,) == b.always


@pytest.mark.parametrize(("line", "image", "expected"), [
    ('a = { type = "u8", at = 0, coding = "bcd" }', "59", 59),
    ('a = { type = "u16", at = 0, coding = "bcd" }', "34 12", 1234),
    ('a = { type = "u32", at = 0, coding = "bcd", order = "big", scale = 0.01 }', "00 12 34 56",
     Decimal("1234.56")),
    ('a = { type = "u8", bits = ["0.6-0"], coding = "bcd" }', "D9", 59),
    ('a = { type = "u8", at = 0, coding = "bcd", count = 3 }', "01 20 99", [1, 20, 99]),
])
def test_binary_coded_decimal(line: str, image: str, expected: Any) -> None:
    """Each four bits are a decimal digit (as in the time registers of clock circuits, common
    practice)."""
    assert expected == value(read(line, bytes.fromhex(image)), "a")


@pytest.mark.parametrize(("line", "image", "expected"), [
    # 1234567890 s after the epoch is 2009-02-13 23:31:30 UTC, and 2**31 - 1 is 2038-01-19.
    ('a = { type = "date", at = 0, coding = "unix" }', "D2 02 96 49", date(2009, 2, 13)),
    ('a = { type = "date", at = 0, coding = "unix" }', "FF FF FF 7F", date(2038, 1, 19)),
    ('a = { type = "date", at = 0, coding = "unix", storage = "u64", order = "big" }',
     "00 00 00 00 FF FF FF FF", date(2106, 2, 7)),
    # The date of a directory entry of the FAT file system: year since 1980 in bits 15 to 9, month
    # in bits 8 to 5, day in bits 4 to 0 (ECMA-107).
    ('a = { type = "date", at = 0, coding = "packed", since = 1980-01-01 }', "21 00",
     date(1980, 1, 1)),
    ('a = { type = "date", at = 0, coding = "packed", since = 1980-01-01 }', "7A 4F",
     date(2019, 11, 26)),
    ('a = { type = "date", bits = ["0.6-0", "1.3-0", "2.4-0"], coding = "packed" }', "1A 02 11",
     date(2026, 2, 17)),
    ('a = { type = "date", at = 0, coding = "bcd", order = "big" }', "20 26 02 17",
     date(2026, 2, 17)),
    ('a = { type = "date", bits = ["2", "1", "0"], coding = "bcd" }', "17 02 26",
     date(2026, 2, 17)),
    ('a = { type = "date", at = 0, since = 1970-01-01 }', "40 50", date(2026, 4, 1)),
    ('a = { type = "date", at = 0, since = 1900-01-01, storage = "u32" }', "40 50 00 00",
     date(1956, 4, 1)),
    ('a = { type = "date", at = 0 }', "00 00", date(2000, 1, 1)),
])
def test_coded_dates(line: str, image: str, expected: date) -> None:
    """A date is read as days, seconds, packed bits or decimal digits."""
    assert expected == value(read(line, bytes.fromhex(image)), "a")


@pytest.mark.parametrize(("line", "image", "message"), [
    ('a = { type = "u8", at = 0, coding = "bcd" }', "5A", "`a` holds 0x5A, which is no BCD number"),
    ('a = { type = "date", at = 0, coding = "bcd", order = "big" }', "20 26 02 30",
     "`a` holds 0x20260230, which is no date"),
    ('a = { type = "date", at = 0, coding = "packed" }', "00 00",
     "`a` holds 0x0000, which is no date"),
    ('a = { type = "date", at = 0, coding = "unix", storage = "u64" }', "FF FF FF FF FF FF FF FF",
     "`a` holds 0xFFFFFFFFFFFFFFFF, which is no date"),
    ('a = { type = "u8", at = 0, coding = "bcd", count = 2 }', "12 FF",
     "`a[1]` holds 0xFF, which is no BCD number"),
])
def test_bits_that_stand_for_nothing(line: str, image: str, message: str) -> None:
    """Bits that are no number or no date are told as they stand, and are no value."""
    found = read(line, bytes.fromhex(image))
    assert {} == found.values
    assert [message] == list(faults_in(found, found.group.item("a")))


# ---- Scales that are stored ---------------------------------------------------------------------


@pytest.mark.parametrize(("lines", "image", "expected"), [
    ('step = { type = "f32", at = 0 }\n'
     'a = { type = "i16", at = 4, scale_from = "step" }', struct.pack("<fh", 0.125, -20),
     Decimal("-2.5")),
    ('power = { type = "i8", at = 2 }\n'
     'a = { type = "u16", at = 0, scale_from = "power", base = 10 }', struct.pack("<Hb", 2512, -3),
     Decimal("2.512")),
    # A mantissa of 11 bits and an exponent of 5, both two's complement: value = Y x 2^N
    # (the linear data format of PMBus part II, from memory).
    ('exponent = { type = "i8", bits = ["1.7-3"] }\n'
     'a = { type = "i16", bits = ["1.2-0", "0"], scale_from = "exponent", base = 2 }',
     (0b11110 << 11 | 0x102).to_bytes(2, "little"), Decimal("64.5")),
    ('power = { type = "i8", at = 2 }\n'
     'a = { type = "u8", at = 0, count = 2, scale = 5, scale_from = "demo.power", base = 10 }',
     struct.pack("<BBb", 1, 2, 2), [500, 1000]),
])
def test_a_scale_is_taken_from_another_parameter(lines: str, image: bytes, expected: Any) -> None:
    """What is stored is multiplied by what another parameter holds, or by a power of a base."""
    assert expected == value(read(lines, image), "a")


@pytest.mark.parametrize("step", [float("nan"), 0.0, float("inf"), 1e-38])
def test_a_scale_that_is_none(step: float) -> None:
    """Without a scale of use there is no value, and that is told."""
    found = read('step = { type = "f32", at = 0 }\n'
                 'a = { type = "i16", at = 4, scale_from = "step" }', struct.pack("<fh", step, -20))
    assert "a" not in found.values
    assert ["`a` holds 0xFFEC, which is no value without its scale"] == list(
        faults_in(found, found.group.item("a")))


@given(st.integers(0, 2**64 - 1), st.integers(1, 10**15), st.integers(0, 15), st.integers(1, 255))
def test_a_scale_that_is_stored_is_exact(factor: int, digits: int, places: int, raw: int) -> None:
    """To the last digit, however many the product has."""
    scale = Decimal(digits).scaleb(-places)
    found = read(f'step = {{ type = "u64", at = 0 }}\n'
                 f'a = {{ type = "u8", at = 8, scale = {scale:f}, scale_from = "step" }}',
                 struct.pack("<QB", factor, raw))
    if factor:
        assert Fraction(factor) * Fraction(scale) == Fraction(found.group.item("a").field.scale)
        assert found.group.item("a").scale_place == found.group.item("step").places[0]
    else:
        assert "a" in found.faulty


@pytest.mark.parametrize(("base", "power", "scale"), [
    (10, 30, "1e30"), (10, 31, None), (10, -30, "1e-30"), (10, -31, None), (2, 99, 2**99),
    (2, 100, None), (16, 127, None), (16, -128, None), (2, -99, Fraction(1, 2**99))])
def test_a_power_within_30_decades_is_a_scale(base: int, power: int, scale: Any) -> None:
    """Beyond there is no physical quantity."""
    found = read(f'power = {{ type = "i8", at = 0 }}\n'
                 f'a = {{ type = "u8", at = 1, scale_from = "power", base = {base} }}',
                 struct.pack("<bB", power, 1))
    assert ("a" in found.values) == (scale is not None)
    if scale is not None:
        assert Fraction(scale) == Fraction(found.group.item("a").field.scale)


@pytest.mark.parametrize(("step", "there"), [
    (1e30, True), (-1e30, True), (1.0000001e30, False), (1e-30, True), (0.9999999e-30, False),
    (float("inf"), False), (float("-inf"), False), (float("nan"), False)])
@pytest.mark.parametrize("base", ["", ", base = 2"])
def test_a_step_within_30_decades_is_a_scale(step: float, there: bool, base: str) -> None:
    """Negative ones too; as a power they are all too large, or about nothing."""
    found = read(f'step = {{ type = "f64", at = 0 }}\n'
                 f'a = {{ type = "u8", at = 8, scale_from = "step"{base} }}',
                 struct.pack("<dB", step, 1))
    assert (there if not base else abs(step) < 1) == ("a" in found.values)


def test_a_half_is_a_scale_as_it_is() -> None:
    """Its neighbours are so far apart that the short number for one would be another step."""
    found = read('step = { type = "f16", at = 0 }\n'
                 'a = { type = "u8", at = 2, scale_from = "step" }', struct.pack("<eB", 0.1, 1))
    assert Decimal("0.0999755859375") == found.group.item("a").field.scale


def test_a_scale_that_is_not_there() -> None:
    """In a group that is not there, beyond the end, or itself no value: there is no value."""
    layout = layout_of('when = { bits = ["0"], is = 1 }\n[group.head.parameter]\n'
                       'step = { type = "u8", at = 1, none = 0xFF }\n[group.demo.parameter]\n'
                       'a = { type = "u8", at = 2, scale_from = "head.step" }', head="[group.head]")
    for image, there in ((b"\1\5\7", True), (b"\0\5\7", False), (b"\1\xff\7", False)):
        assert there == ("a" in read_image(layout, image.ljust(24, b"\0")).group("demo").values)
    last = read('a = { type = "u8", at = 0, scale_from = "step" }\nstep = { type = "u8", at = 1 }',
                b"\5\6")
    assert 30 == value(last, "a")
    cut = read_image(layout, b"\1\5\7".ljust(24, b"\0"), ((1, 2),))
    assert "a" in cut.group("demo").faulty


# ---- Blocks that are there at times -------------------------------------------------------------

BLOCKS = """[fixed]
name = "demo"
size = 12
[group.head.parameter]
used = { type = "u8", at = 0 }
[group.channel]
at = 4
count = 4
every = 2
when = { bits = ["0"], from = "image", RULE }
[group.channel.parameter]
gain = { type = "u16", at = 0 }
"""


@pytest.mark.parametrize(("rule", "byte", "there"), [
    ("above = 0", 0, []), ("above = 0", 2, [1, 2]), ("above = 0", 255, [1, 2, 3, 4]),
    ("above = 1", 3, [1, 2]), ("bit = 0", 0b0101, [1, 3]), ("bit = 4", 0b1010_0101, [2, 4]),
    ("is = 3", 3, [1, 2, 3, 4]), ("not = 3", 3, []),
])
def test_blocks_that_others_speak_of(rule: str, byte: int, there: list[int]) -> None:
    """A count, or a bit for each block, elsewhere in the image says which blocks are there."""
    layout, _ = read_layout(SourceText("a", BLOCKS.replace("RULE", rule)))
    contents = read_image(layout, bytes([byte]) + bytes(11))
    assert there == [g.group.block for g in contents.blocks("channel")
                     if g.presence is GroupPresence.THERE]


def test_a_bit_of_the_block_itself() -> None:
    """From the block on, each one asks its own bits."""
    layout, _ = read_layout(SourceText("a", BLOCKS.replace("RULE", "bit = 7").replace(
        'bits = ["0"], from = "image"', 'bits = ["1"]')))
    contents = read_image(layout, bytes(4) + bytes([0, 0x80, 0, 0, 0, 0x80, 0, 0x7F]))
    assert [1, 3] == [g.group.block for g in contents.blocks("channel")
                      if g.presence is GroupPresence.THERE]


def test_groups_that_exclude_each_other_by_a_count() -> None:
    """Bytes may be shared with a group that is there only if no block is."""
    text = BLOCKS.replace("RULE", "above = 0") + """
[group.old]
when = { bits = ["0"], is = 0 }
[group.old.parameter]
gain = { type = "u16", at = 4 }
"""
    read_layout(SourceText("a", text))
    with pytest.raises(FindingsError) as caught:
        read_layout(SourceText("a", text.replace("is = 0", "is = 1")))
    assert ["PS351"] == [f.code for f in caught.value.findings]


# ---- Copies -------------------------------------------------------------------------------------

COPIES = """[fixed]
name = "demo"
size = 24
[group.settings]
count = COUNT
every = 8
copies = "number"
[group.settings.parameter]
number = { type = "u8", at = 0 }
level = { type = "u16", at = 1 }
[group.settings.check]
sum = { type = "sum", over = ["0-2"], at = 3, final = 0xFF }
"""


def copy_of(number: int, level: int, *, good: bool = True) -> bytes:
    """A copy with an inverted sum, made from the meaning of the struct alone."""
    body = struct.pack("<BH", number, level)
    return body + bytes([sum(body) & 0xFF ^ 0xFF ^ (not good)]) + b"\xff" * 4


def states(*copies: bytes, layout: str = COPIES) -> list[Copy | None]:
    """What each copy of an image is taken for."""
    source = SourceText("demo.toml", layout.replace("COUNT", str(len(copies))))
    contents = read_image(read_layout(source)[0], b"".join(copies))
    return [found.copy for found in contents.blocks("settings")]


@pytest.mark.parametrize(("copies", "expected"), [
    ([copy_of(7, 100), copy_of(8, 101)], [Copy.OLDER, Copy.USED]),
    ([copy_of(8, 101), copy_of(7, 100)], [Copy.USED, Copy.OLDER]),
    ([copy_of(8, 101), copy_of(9, 5, good=False)], [Copy.USED, Copy.WRONG]),
    ([copy_of(255, 100), copy_of(0, 101)], [Copy.OLDER, Copy.USED]),  # it rolls over
    ([copy_of(8, 101), copy_of(8, 101)], [Copy.USED, Copy.SAME]),
    ([copy_of(8, 101), copy_of(8, 102)], [Copy.DOUBTFUL, Copy.DOUBTFUL]),
    ([copy_of(0, 101), copy_of(128, 102)], [Copy.DOUBTFUL, Copy.DOUBTFUL]),
    ([copy_of(8, 101), b"\xff" * 8], [Copy.USED, Copy.ERASED]),
    ([b"\xff" * 8, b"\xff" * 8], [Copy.ERASED, Copy.ERASED]),
    ([copy_of(1, 1, good=False), copy_of(2, 2, good=False)], [Copy.WRONG, Copy.WRONG]),
    ([copy_of(8, 101)[:2], b""], [Copy.UNREAD, Copy.UNREAD]),
    ([copy_of(8, 101), copy_of(9, 5)[:2]], [Copy.USED, Copy.UNREAD]),
    ([copy_of(6, 1), copy_of(8, 3), copy_of(7, 2)], [Copy.OLDER, Copy.USED, Copy.OLDER]),
])
def test_the_newest_right_copy_counts(copies: list[bytes], expected: list[Copy]) -> None:
    """Of copies the right one with the newest sequence number is used, each is named for what it
    is, and none is used if that is in doubt."""
    assert expected == states(*copies)


def test_copies_without_a_sequence_number() -> None:
    """Then the first right one counts."""
    plain = COPIES.replace('copies = "number"', 'copies = ""')
    one, other = copy_of(3, 100), copy_of(9, 101)
    assert [Copy.USED, Copy.OLDER] == states(one, other, layout=plain)
    assert [Copy.WRONG, Copy.USED] == states(copy_of(3, 1, good=False), other, layout=plain)


@given(st.integers(0, 255), st.integers(1, 127), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
def test_the_later_of_two_copies_counts(number: int, ahead: int, old: int, new: int) -> None:
    """Whatever the numbers: the one that was counted up from the other is used, in either place."""
    older, newer = copy_of(number, old), copy_of((number + ahead) % 256, new)
    for copies, used in (((older, newer), 1), ((newer, older), 0)):
        if all(copy[:4].count(0xFF) < 4 for copy in copies):
            assert Copy.USED is states(*copies)[used]


@given(st.integers(0, 7), st.integers(0, 31))
def test_a_flipped_bit_leaves_the_other_copy(number: int, bit: int) -> None:
    """A copy that was damaged is never used."""
    damaged = bytearray(copy_of(number + 1, 300))
    damaged[bit // 8] ^= 1 << bit % 8
    assert [Copy.USED, Copy.WRONG] == states(copy_of(number, 200), bytes(damaged))


@pytest.mark.parametrize(("bits", "letters", "first", "fits"), [
    (4, 15, 1, True), (4, 16, 1, False), (4, 16, 0, True), (5, 26, 6, True), (5, 26, 7, False)])
def test_the_last_letter_must_fit_its_bits(bits: int, letters: int, first: int,
                                           fits: bool) -> None:
    """Numbers end at 2**bits - 1."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[:letters]
    line = (f'a = {{ type = "letters", size = 1, bits = ["0.{bits - 1}-0"], first = {first}, '
            f'alphabet = "{alphabet}" }}')
    if fits:
        image = bytes([first + letters - 1, 0])
        assert alphabet[-1] == value(read(line, image), "a")
    else:
        with pytest.raises(FindingsError) as caught:
            layout_of(line)
        assert ["PS363"] == [f.code for f in caught.value.findings]


def findings_of(lines: str, head: str) -> list[tuple[str, str]]:
    with pytest.raises(FindingsError) as caught:
        layout_of(lines, head=head)
    return [(f.code, f.help) for f in caught.value.findings]


@pytest.mark.parametrize(("name", "help"), [
    ("fletchr", "did you mean `fletcher`?"), ("crc16", 'write `type = "crc"`, and its `width` and '
     "`polynomial`"), ("zzzzzzzzz", "use one of `sum`,")])
def test_an_unknown_kind_of_checksum_is_answered(name: str, help: str) -> None:
    """With the nearest one, or with all."""
    ((code, told),) = findings_of(f'c = {{ type = "{name}", over = ["0-1"], at = 2 }}',
                                  "[group.demo.check]")
    assert "PS360" == code and told.startswith(help), told


def test_a_wrong_scale_of_a_repeated_block_is_told_once() -> None:
    """Not once for each of its copies."""
    found = findings_of('v = { type = "u8", at = 0, scale_from = "nothing" }',
                        "[group.demo]\nat = 0\ncount = 3\nevery = 4\n[group.demo.parameter]")
    assert ["PS365"] == [code for code, _ in found]


def test_a_scale_is_taken_from_another_group() -> None:
    """By the name of the group, and of the parameter there."""
    layout = layout_of('power = { type = "i8", at = 1 }\n[group.demo.parameter]\n'
                       'a = { type = "u8", at = 0, scale_from = "head.power", base = 10 }',
                       head="[group.head.parameter]")
    found = read_image(layout, bytes([7, 3]).ljust(24, b"\0"))
    assert 7000 == value(found.group("demo"), "a")


@pytest.mark.parametrize("size", [3, 5, 100])
def test_letters_that_do_not_divide_their_bits_are_told_once(size: int) -> None:
    """However many there are."""
    found = findings_of(f'a = {{ type = "letters", size = {size}, bits = ["0.1-0"] }}',
                        "[group.demo.parameter]")
    assert ["PS353"] == [code for code, _ in found]
