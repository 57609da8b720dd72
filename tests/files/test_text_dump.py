"""Hex dumps as text: every usual shape gives the bytes, and a doubtful one is refused.

The samples in `tests/corpus/dumps` hold the first bytes of one image (`content.bin`) in the shapes
that common programs, monitors, debuggers and consoles write.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.files.forms import FORMS, encode_image, read_dump
from paramstore.files.runs import Order, Reading, ReadOptions, Run, WriteOptions, flatten
from paramstore.files.text_dump import read, write

DUMPS = Path(__file__).parents[1] / "corpus" / "dumps"
CONTENT = (DUMPS / "content.bin").read_bytes()

BASES = {
    "monitor_bytes": 0x80000000, "monitor_words": 0x80000000, "debugger_bytes": 0x20000000,
    "debugger_words": 0x20000000, "log_tags": 0x3FFB0000, "segments": 0x100,
}
"""Where the samples begin that do not begin at 0."""
SHORT = {"address_like_data": 128}
"""Bytes of the samples that are partial dumps."""


def reading(text: str, order: Order | None = None) -> Reading:
    return read(text.encode(), "x.txt", ReadOptions(order, lambda data: b"PSL\xd5" in data))


def content_of(found: Reading) -> bytes:
    return flatten(found.runs, found.start, found.end)[0]


@pytest.mark.parametrize("sample", sorted(p.stem for p in DUMPS.glob("*.txt")))
def test_samples_are_read(sample: str) -> None:
    """Each sample is recognised and gives the same bytes, at the addresses it shows."""
    found = read_dump((DUMPS / f"{sample}.txt").read_bytes(), sample)
    assert CONTENT[:SHORT.get(sample, 256)] == content_of(found)
    assert BASES.get(sample, 0) == found.start
    assert found.form == ("c" if sample.startswith(("c_", "decimal", "numbers")) else "text")


@pytest.mark.parametrize(("sample", "title"), [
    ("words_big_ascii", "hex dump text, 16 bytes a line, hexadecimal addresses, 16-bit words, "
     "high byte first"),
    ("words_little_octal", "hex dump text, 16 bytes a line, octal addresses, 16-bit words, low "
     "byte first"),
    ("words_32_decimal", "hex dump text, 16 bytes a line, decimal addresses, 32-bit words, low "
     "byte first"),
    ("packed", "hex dump text, 30 bytes a line, no addresses"),
    ("c_array_words", "C array of 16-bit words, low byte first"),
])
def test_what_a_dump_was_read_as_is_said(sample: str, title: str) -> None:
    """Columns, addresses and the order of words are told."""
    assert title == read_dump((DUMPS / f"{sample}.txt").read_bytes(), sample).title


def test_lines_between_are_passed_over_and_told() -> None:
    """A console log gives its dump, and says how many lines were something else."""
    found = read_dump((DUMPS / "console_log.txt").read_bytes(), "log")
    (warning,) = found.findings
    assert ("PS633", "5 other lines passed over") == (warning.code, warning.message)


# ---- Random dumps -------------------------------------------------------------------------------

BYTES = st.binary(min_size=20, max_size=300).map(lambda d: b"PSL\xd5" + d)


@st.composite
def dumps(draw: st.DrawFn) -> tuple[bytes, str]:
    """Bytes, and a text that shows them in a shape put together at random."""
    width = draw(st.sampled_from([1, 1, 2, 4]))
    columns = draw(st.sampled_from([8, 16, 32]))
    data = draw(BYTES)
    data = data[:len(data) - len(data) % width]
    little = draw(st.booleans())
    upper, column = draw(st.booleans()), draw(st.sampled_from(["  |{}|", "  {}", "\t{}", ""]))
    address = draw(st.sampled_from(["{:04x}: ", "0x{:06X}  ", "{:08x}  ", "{:x}:  ", "{:07x} ",
                                    "{:04X} | ", "{:06x} - "]))
    # One line at "0000100" might be octal as well, so it is refused.
    base = draw(st.sampled_from([0, 0x100, 0x2000])) if address != "{:07x} " else 0
    stars, noise = draw(st.booleans()), draw(st.sampled_from(["", "ready\n", "T = 21.5 degC\n"]))
    prefix = draw(st.sampled_from(["", "[  12.5] ", "10:22:41.007 -> ", "D (123) app: "]))
    lines, star = [], False
    for at in range(0, len(data), columns):
        row = data[at:at + columns]
        whole = len(row) == columns and 0 < at < len(data) - columns
        if stars and whole and row == data[at - columns:at]:
            lines += [] if star else [f"{prefix}*\n"]
            star = True
            continue
        star = False
        words = [row[i:i + width] for i in range(0, len(row), width)]
        shown = " ".join((w[::-1] if little else w).hex() for w in words)
        text = "".join(chr(b) if 0x20 <= b < 0x7F else "." for b in row)
        gap = " " * (columns // width * (2 * width + 1) - 1 - len(shown)) if column else ""
        lines.append(prefix + address.format(base + at) + (shown.upper() if upper else shown) + gap
                     + column.format(text) + "\n" + (noise if at % 64 == 0 else ""))
    return data, "".join(lines)


@given(dumps())
def test_random_shapes_give_the_bytes(dump: tuple[bytes, str]) -> None:
    """Whatever the columns, addresses, words, prefixes, stars and lines between are."""
    data, text = dump
    assert data == content_of(reading(text)), text


@given(BYTES, st.sampled_from(["", " ", ":", ", "]), st.integers(1, 40))
def test_dumps_without_addresses_give_the_bytes(data: bytes, comma: str, columns: int) -> None:
    """Pairs of digits in lines of any length, or in one."""
    rows = [data[i:i + columns] for i in range(0, len(data), columns)]
    if columns < 4 or len(rows[-1]) < 4 or len(rows) < 3:
        rows = [data]
    try:
        found = reading("\n".join(comma.join(f"{b:02x}" for b in row) for row in rows))
    except FindingsError as error:  # chance made the first column look like addresses
        assert {"PS630", "PS631"} >= {f.code for f in error.findings}
    else:
        assert data == content_of(found) or (comma == "" and columns in (4, 8))


def test_a_gap_in_the_addresses_is_a_gap() -> None:
    """Lines that are missing are bytes that are missing."""
    text = "0000: 50 53 4c d5\n0004: 01 02 03 04\n000c: 05 06 07 08\n"
    assert ((8, 12),) == flatten(reading(text).runs, 0, 16)[1]


def test_values_that_could_not_be_read_are_a_gap() -> None:
    """`XX`, `--` and `??` in the place of a byte are bytes that are missing."""
    text = "00: 50 53 XX d5 -- 02 03 04\n08: 01 02 03 04 05 06 ?? ??\n"
    assert ((2, 3), (4, 5), (14, 16)) == flatten(reading(text).runs, 0, 16)[1]


def test_a_star_repeats_up_to_the_next_address() -> None:
    """The line before a star is repeated; an address alone ends the dump."""
    text = "0000  01 02 03 04\n*\n0010\n"
    assert b"\1\2\3\4" * 4 == content_of(reading(text))
    cut = reading("0000  01 02 03 04\n*\n")
    assert (4, ["PS634"]) == (cut.end, [f.code for f in cut.findings])


def test_terminal_colours_are_no_part_of_a_dump() -> None:
    """Escape sequences are left out."""
    text = "\x1b[1;32m0000:\x1b[0m 50 53 \x1b[31m4c\x1b[0m d5\n"
    assert b"PSL\xd5" == content_of(reading(text))


def test_quoted_in_a_mail() -> None:
    """Marks of quotation before the lines, blanks that do not break: the addresses still count."""
    text = "> 00000010:\xa050 53 4c d5  |PSL.|\n> 000000a4:\xa001 02 03 04  |....|\n"
    found = reading(text)
    assert [(0x10, b"PSL\xd5"), (0xA4, b"\1\2\3\4")] == [(r.address, r.data) for r in found.runs]


@pytest.mark.parametrize("sign", "?-._")
def test_an_ascii_column_of_signs_is_no_data(sign: str) -> None:
    """A row without any letter, whatever sign stands for the bytes that are none."""
    data = b"PSL\xd5".ljust(96, b"\xff")
    text = "".join(f"{at:03x}: {data[at:at + 16].hex(' ')}    "
                   + "".join(chr(b) if 32 <= b < 127 else sign for b in data[at:at + 16]) + "\n"
                   for at in range(0, 96, 16))
    found = reading(text)
    assert data == content_of(found) and not found.findings


def test_an_edited_ascii_column_is_told() -> None:
    """The bytes count; the column that does not show them is a warning."""
    found = reading("0000  50 53 4c d5 41 42 43 44  |PSL.ABXD|\n")
    assert [("PS632", 1)] == [(f.code, f.span.line) for f in found.findings if f.span]
    assert b"PSL\xd5ABCD" == content_of(found)


def test_the_order_of_words_can_be_forced() -> None:
    """What nothing tells, a person does."""
    text = "0000: 0102 0304\n0004: 0506 0708\n"
    assert bytes(range(1, 9)) == content_of(reading(text, Order.BIG))
    assert bytes([2, 1, 4, 3, 6, 5, 8, 7]) == content_of(reading(text, Order.LITTLE))


REFUSED = {
    "words without a known order": (
        "0000: 0102 0304\n0004: 0506 0708\n", "PS630", 1,
        "the words have 2 bytes, and nothing tells which of them comes first on the EEPROM"),
    "octal or hexadecimal": (
        "0000020 50 53 4c d5\n", "PS631", 1,
        "the dump may have hexadecimal addresses, or octal addresses"),
    "an address or data": (
        "00 50 53 4c d5\n04 01 02 03 04\n", "PS631", 1,
        "the first number of a line may be an address or data"),
    "two dumps": (
        "0000: 50 53 4c d5\n0004: 01 02 03 04\n\nb 0000 | 50 53 4c d5\nb 0004 | 1 2 3 4\n",
        "PS631", 1, "the text holds dump lines of two shapes"),
    "the same address twice": (
        "0000: 50 53 4c d5\n0004: 01 02 03 04\n0008: 1 2 3 4\n0008: 1 2 3 4\n", "PS625", 4,
        "address 0x8 was given before"),
    "addresses that do not go up": (
        "0000: 50 53 4c d5 01 02\n0001: 01 02 03 04\n0002: 01 02 03 04\n", "PS631", 1,
        "the addresses do not go up as the lines are long"),
    "a star without addresses": (
        "50 53 4c d5\n*\n01 02 03 04\n", "PS631", 2,
        "a line is repeated, but no address says how often"),
    "a star without end": (
        "00000000: 50 53 4c d5\n*\nf0000000: 01 02 03 04\n", "PS626", 1,
        "the line is repeated up to 0xF0000000: that is no dump of one EEPROM"),
    "addresses far apart": (
        "00000000: 50 53 4c d5\nf0000000: 01 02 03 04\n", "PS626", None,
        "the addresses go from 0x0 to 0xF0000003: that is no dump of one EEPROM"),
    "an end that may be octal or hexadecimal": (
        "0000000 ff ff ff ff\n*\n0000100\n", "PS631", 1,
        "the dump may have hexadecimal addresses, or octal addresses"),
    "no dump": ("hello world\n", "PS629", 1, "the text holds no dump"),
    "an end of another base": (
        "0000000 50 53 4c d5 01 02 03 04\n0000010 50 53 4c d5 01 02 03 04\n*\nfff0\n", "PS631", 4,
        "this address is not of the base of the others"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_doubtful_dump_is_refused(name: str) -> None:
    """What a text does not tell is never guessed: the candidates are named, with the place."""
    text, code, line, message = REFUSED[name]
    with pytest.raises(FindingsError) as caught:
        reading(text)
    found = caught.value.findings[0]
    assert (code, line, message) == (found.code, found.span and found.span.line, found.message)
    assert found.help


@given(st.text("0123456789abcdefx:|*. -\n\t[]", max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    """Nothing else comes out than bytes or findings."""
    try:
        assert 0 < len(content_of(reading(text)))
    except FindingsError as error:
        assert error.findings


@given(st.binary(min_size=1, max_size=100))
def test_what_is_written_is_plain(content: bytes) -> None:
    """An address, a colon, bytes: what `xxd -r` takes, here read by the standard library."""
    lines = encode_image(content, FORMS["text"]).decode().splitlines()
    parts = [line.partition(": ") for line in lines]
    assert list(range(0, len(content), 16)) == [int(address, 16) for address, _, _ in parts]
    assert content == b"".join(bytes.fromhex(rest.partition("  |")[0]) for _, _, rest in parts)


def test_a_large_log_is_read_in_reasonable_time() -> None:
    """A whole 128 KiB part in a text with prefixes: bounded work for each line."""
    image = b"PSL\xd5" + bytes(0x20000 - 4)
    text = "".join(f"[ {at}] {at:05x}: {image[at:at + 16].hex(' ')}\n"
                   for at in range(0, len(image), 16))
    assert image == content_of(read_dump(text.encode(), "x", FORMS["text"]))


@pytest.mark.parametrize("ascii_column", [True, False])
@pytest.mark.parametrize("number", [0, 1, 7, 15])
@pytest.mark.parametrize("typo", ["2O", "l0", "GG"])
def test_a_mistyped_number_is_told_where_it_stands(typo: str, number: int,
                                                   ascii_column: bool) -> None:
    """A line that is one of the dump but for a sign that is no digit is not passed over."""
    rows = encode_image(CONTENT, FORMS["text"]).decode().splitlines()
    if not ascii_column:
        rows = [row.partition("  |")[0] for row in rows]
    at = 6 + 3 * number
    rows[4] = rows[4][:at] + typo + rows[4][at + 2:]
    with pytest.raises(FindingsError) as caught:
        reading("\n".join(rows))
    (finding,) = caught.value.findings
    assert finding.span is not None
    assert ("PS631", 5, at + 1) == (finding.code, finding.span.line, finding.span.column)
    assert f"`{typo}` is no hex number" in finding.message


ROWS = [CONTENT[at:at + 16].hex(" ") for at in range(0, 128, 16)]


@pytest.mark.parametrize(("row", "said"), [
    (ROWS[4][3:], "the line has 15 bytes, the others have 16, and nothing tells which is missing"),
    (ROWS[4][:-6], "the line has 14 bytes, the others have 16, and nothing tells which is missing"),
    (ROWS[4] + " 00", "the line has 17 bytes, the others have 16, and nothing tells which came in"),
])
def test_a_line_that_lost_a_byte_is_refused_without_addresses(row: str, said: str) -> None:
    """All behind it would be moved; with `??` for the byte it is read."""
    with pytest.raises(FindingsError) as caught:
        reading("\n".join([*ROWS[:4], row, *ROWS[5:]]))
    (finding,) = caught.value.findings
    assert ("PS631", said, 5) == (finding.code, finding.message,
                                  finding.span and finding.span.line)
    mended = reading("\n".join([*ROWS[:4], "?? " + ROWS[4][3:], *ROWS[5:]]))
    assert ((64, 65),) == flatten(mended.runs, 0, 128)[1]


def test_a_short_line_with_addresses_is_told() -> None:
    """The lines behind it have their places; that the last bytes are those missing is said, but not
    where an ASCII column is as short."""
    rows = [f"{16 * n:04X}: {row}" for n, row in enumerate(ROWS)]
    found = reading("\n".join([*rows[:4], rows[4][:-3], *rows[5:]]))
    assert [("PS635", 5)] == [(f.code, f.span.line) for f in found.findings if f.span]
    assert ((79, 80),) == flatten(found.runs, 0, 128)[1]
    with pytest.raises(FindingsError) as caught:
        reading("\n".join([*rows[:4], rows[4] + " 00", *rows[5:]]))
    assert [("PS631", 5)] == [(f.code, f.span.line) for f in caught.value.findings if f.span]
    runs = [Run(0, CONTENT[:79]), Run(80, CONTENT[80:128])]
    own = write(runs, WriteOptions()).decode()
    assert () == reading(own).findings


def test_the_first_line_may_begin_late_and_blocks_may_end_early() -> None:
    """A selection that begins in a line, and lines of blocks that are no multiple of the width."""
    assert CONTENT[1:128] == content_of(reading("\n".join([ROWS[0][3:], *ROWS[1:]])))
    blocks = [CONTENT[at + n:at + min(n + 24, 64)].hex(" ")
              for at in (0, 64, 128) for n in (0, 24, 48)]
    assert CONTENT[:192] == content_of(reading("\n".join(blocks)))


def test_other_lines_among_those_of_a_dump_stay_other_lines() -> None:
    """What a console says between two lines is no mistyped line."""
    rows = encode_image(CONTENT, FORMS["text"]).decode().splitlines()
    rows[4:4] = ["0040: timeout, retry", "[12.3] i2c: NACK at 50, go on", "OK"]
    found = reading("\n".join(rows))
    assert CONTENT == content_of(found)
    assert ["PS633"] == [f.code for f in found.findings]


@pytest.mark.parametrize("address", ["{:04X}:", "{:08x}:", "0x{:04x}:", "{:04X}h:", "{:06x}="])
@pytest.mark.parametrize("gap", ["", " "])
def test_an_address_right_before_its_bytes_is_one(address: str, gap: str) -> None:
    """A row of digits without a blank behind the colon is no line without an address."""
    rows = [address.format(at) + CONTENT[at:at + 16].hex(*gap)
            for at in range(0, 128, 16)]
    found = reading("\n".join([*rows[:3], *rows[4:]]))
    assert ((48, 64),) == flatten(found.runs, 0, 128)[1]
    assert CONTENT[:48] == content_of(found)[:48]


@pytest.mark.parametrize("look", ["{:02X}h ", "{:02X}: ", "{:02X}= ", "{:03X} ", "{:04X} "])
def test_a_number_in_front_is_an_address_by_its_look(look: str) -> None:
    """A sign or an h behind it, or another width than the values: never one of them. A line that is
    missing is a gap then."""
    rows = [look.format(at) + CONTENT[at:at + 16].hex(" ") for at in range(0, 128, 16)]
    found = reading("\n".join([*rows[:3], *rows[4:]]))
    assert ((48, 64),) == flatten(found.runs, 0, 128)[1]
    assert CONTENT[:48] == content_of(found)[:48]
