"""The front door of file forms: which form a file has, where it lies on a part, what is refused."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, ToolError
from paramstore.files.forms import (
    FORMS,
    Dump,
    Form,
    ReadOptions,
    WriteOptions,
    decode_image,
    encode_image,
    form_of,
    lay_on_part,
    read_dump,
)
from paramstore.files.recognise import recognise, without_utf16
from paramstore.files.runs import Order, flatten

CONTENT = b"PSL\xd5" + bytes(range(0x20, 0x5C)) + b"\xff" * 32
OPTIONS = WriteOptions(family=0xE48BFF56)
ADDRESSED = [f for f in FORMS.values() if f.addressed]


def test_binary_is_bytes() -> None:
    """A binary file is the image, whatever its length."""
    assert b"\x01\x02" == encode_image(b"\x01\x02", FORMS["bin"])
    assert Dump(b"\x01\x02") == decode_image(b"\x01\x02", FORMS["bin"], "x.bin", 4096)


@pytest.mark.parametrize(("path", "name", "expected"), [
    ("a.bin", None, "bin"), ("a.HEX", None, "hex"), ("a.ihex", None, "hex"),
    ("a.s19", None, "srec"), ("a.uf2", None, "uf2"), ("a.h", None, "c"), ("a.txt", None, "text"),
    ("a.bin", "hex", "hex"), ("-", "bin", "bin"),
])
def test_the_form_is_told_by_the_suffix_or_by_name(
    path: str, name: str | None, expected: str
) -> None:
    """A name that is given overrides the suffix."""
    assert expected == form_of(path, name).name


@pytest.mark.parametrize(("path", "name", "message", "help"), [
    ("dump.doc", None, "the name `dump.doc` does not tell the form of the file",
     "give --format (bin or hex or srec or uf2 or c or text), or one of the suffixes .bin, "),
    ("-", None, "the name `-` does not tell the form of the file", "give --format (bin or hex"),
    ("a.bin", "elf", "there is no file form `elf`", "use one of: bin, hex, srec, uf2, c, text"),
])
def test_a_form_that_is_not_known_is_refused(
    path: str, name: str | None, message: str, help: str
) -> None:
    """A form for output is never guessed."""
    with pytest.raises(ToolError) as caught:
        form_of(path, name)
    assert message == caught.value.message and caught.value.help.startswith(help)


@pytest.mark.parametrize("form", FORMS.values(), ids=list(FORMS))
def test_every_form_is_recognised_by_what_was_written(form: Form) -> None:
    """A file says what it is, whatever its name."""
    content = encode_image(CONTENT, form, OPTIONS)
    assert form.name == recognise(content, "x")


@given(st.binary(min_size=8, max_size=700), st.sampled_from(list(FORMS)))
def test_every_form_gives_back_what_went_in(content: bytes, name: str) -> None:
    """What is written in any form is read back, byte for byte."""
    form = FORMS[name]
    # Bytes that are plainly a file of another form are refused as raw binary (PS628).
    assume(name != "bin" or not content.startswith((b"UF2\n", b":", b"S")))
    dump = decode_image(encode_image(content, form, OPTIONS), form, "x", 1024)
    assert content.ljust(1024 if form.addressed else 0, b"\xff") == dump.data.ljust(
        1024 if form.addressed else 0, b"\xff")


@given(st.sampled_from(ADDRESSED), st.integers(0, (1 << 30) - 32).map(lambda n: 4 * n),
       st.lists(st.tuples(st.integers(0, 95), st.integers(1, 32)), min_size=1, max_size=4))
def test_offsets_and_gaps_come_back(form: Form, offset: int,
                                    pieces: list[tuple[int, int]]) -> None:
    """Parts of an image at any address are read back at that address, and what is left out is told
    (UF2 alone fills its blocks up with FF)."""
    # Fewer than 4 bytes of hex digits in a text are no dump.
    ranges = (*((a, min(a + n, len(CONTENT))) for a, n in pieces), (40, 44))
    options = WriteOptions(offset, ranges, family=7)
    reading = read_dump(encode_image(CONTENT, form, options), "x", form)
    given_bytes = {a for first, end in ranges for a in range(first, end)}
    data, gaps = flatten(reading.runs, offset, offset + len(CONTENT))
    assert all(data[a] == CONTENT[a] for a in given_bytes)
    missing = {a for first, end in gaps for a in range(first, end)}
    if form.name != "uf2":
        assert set(range(len(CONTENT))) - given_bytes == missing


def test_gaps_are_filled_where_a_form_has_no_addresses() -> None:
    """Binary and C arrays hold the fill byte where nothing is written, up to the last byte."""
    options = WriteOptions(ranges=((2, 4), (6, 8)), fill=0xAA)
    content = encode_image(bytes(range(16)), FORMS["bin"], options)
    assert b"\xaa\xaa\2\3\xaa\xaa\6\7" == content
    c = encode_image(bytes(range(16)), FORMS["c"], options)
    assert content == decode_image(c, FORMS["c"], "x.c", 16).data


@pytest.mark.parametrize(("form", "options", "message"), [
    ("bin", WriteOptions(offset=16), "raw binary has no addresses, so no offset either"),
    ("c", WriteOptions(offset=16), "C array has no addresses, so no offset either"),
    ("hex", WriteOptions(offset=0xFFFFFFFF), "the image does not fit at 0xFFFFFFFF"),
    ("uf2", WriteOptions(), "UF2 needs the family ID of the controller that takes the file"),
    ("uf2", WriteOptions(offset=2, family=1), "0x2 is not a multiple of 4, as UF2 demands"),
    ("c", WriteOptions(name="2x"), "`2x` is not a name in C"),
])
def test_what_a_form_cannot_say_is_refused(form: str, options: WriteOptions, message: str) -> None:
    """An option that a form cannot honour is an error, not left out."""
    with pytest.raises(ToolError) as caught:
        encode_image(CONTENT, FORMS[form], options)
    assert message == caught.value.message


def refusal(content: bytes) -> tuple[str, str, str]:
    with pytest.raises(FindingsError) as caught:
        read_dump(content, "x")
    (finding,) = caught.value.findings
    return finding.code, finding.message, finding.help


def test_an_empty_file_is_refused() -> None:
    """A file without bytes is no dump of anything."""
    assert ("PS620", "`x` is empty", "read the part again") == refusal(b"")


def test_text_without_a_dump_is_refused() -> None:
    """Prose is not read as the bytes of an EEPROM; a person may insist."""
    prose = b"Nothing to see here.\nReally not.\n"
    assert "PS628" == refusal(prose)[0] and refusal(prose)[2].endswith("--input-format bin")
    assert prose == read_dump(prose, "x", FORMS["bin"]).runs[0].data


@pytest.mark.parametrize(("content", "asked", "message", "help"), [
    (encode_image(CONTENT, FORMS["hex"]), "bin", "`x` is Intel HEX, not raw binary",
     "give --input-format hex"),
    (encode_image(CONTENT, FORMS["srec"]), "bin", "`x` is Motorola S-record, not raw binary",
     "give --input-format srec"),
    (bytes(range(256)), "hex", "`x` is raw binary, not Intel HEX", "give --input-format bin"),
    (bytes(range(256)), "text", "`x` is raw binary, not hex dump text", "give --input-format bin"),
], ids=["hex as bin", "srec as bin", "bin as hex", "bin as text"])
def test_a_form_that_the_content_contradicts_is_refused(
    content: bytes, asked: str, message: str, help: str
) -> None:
    """One mistake, one finding, and no byte of it on the screen."""
    with pytest.raises(FindingsError) as caught:
        read_dump(content, "x", FORMS[asked])
    (finding,) = caught.value.findings
    assert ("PS628", message, help, None) == (
        finding.code, finding.message, finding.help, finding.span)


@pytest.mark.parametrize("form", ["hex", "srec"])
def test_joined_files_are_told_once(form: str) -> None:
    """Whatever follows the end record, its first line says it all."""
    content = encode_image(CONTENT, FORMS[form]) * 2
    with pytest.raises(FindingsError) as caught:
        read_dump(content, "x", FORMS[form])
    assert ["PS624"] == [f.code for f in caught.value.findings]


def test_a_doubtful_file_names_its_candidates() -> None:
    """A file with the signs of two forms is refused with both of them."""
    both = b":00000001FF\nS9030000FC\n"
    assert ("PS628", "`x` may be of form hex or srec",
            "give --input-format hex or --input-format srec") == refusal(both)
    noise = b":00000001FF\n" + bytes(range(256))
    assert "`x` may be of form hex or bin" == refusal(noise)[1]


def test_a_window_of_a_larger_file_must_be_the_part() -> None:
    """Data outside the part are refused with the first line that is."""
    reading = read_dump(encode_image(CONTENT, FORMS["srec"], WriteOptions(offset=64)), "x")
    assert CONTENT == lay_on_part(reading, len(CONTENT), 64).data
    for offset, said in ((0, "goes on to 0x9F, past the part's 96"),
                         (80, "begins at 0x40, before")):
        with pytest.raises(FindingsError) as caught:
            lay_on_part(reading, len(CONTENT), offset)
        (finding,) = caught.value.findings
        assert "PS626" == finding.code and said in finding.message
        assert finding.span is not None


@given(st.binary(min_size=32, max_size=400), st.sampled_from([1, 2]))
def test_a_text_without_addresses_lies_on_the_part_as_a_whole(data: bytes, width: int) -> None:
    """Every line of it, not the first alone. (A number alone on a line is no line of a dump.)"""
    data = data[:len(data) // width * width]
    data = data[:-1] if len(data) % 16 == 1 else data
    lines = [data[a:a + 16].hex(" ", width) for a in range(0, len(data), 16)]
    text = "".join(f"{line}\n" for line in lines).encode()
    reading = read_dump(text, "x.txt", FORMS["text"], ReadOptions(Order.BIG))
    if not reading.addressed:  # what looks like addresses may be taken for some
        assert data == lay_on_part(reading, 4096).data


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_a_text_in_utf_16_is_a_text(encoding: str) -> None:
    """Some consoles save logs so; the mark of the byte order in front tells it."""
    text = "\ufeff" + encode_image(CONTENT, FORMS["text"]).decode()
    reading = read_dump(text.encode(encoding), "console.log")
    assert ("text", CONTENT) == (reading.form, flatten(reading.runs, 0, len(CONTENT))[0])


@given(st.binary(min_size=60, max_size=200))
def test_bytes_that_begin_like_utf_16_stay_bytes(content: bytes) -> None:
    """An EEPROM may begin with FF FE: without text behind it that means nothing."""
    image = b"\xff\xfe\x00\x01" + content
    assert image == read_dump(image, "x.bin", FORMS["bin"]).runs[0].data
    assert image == without_utf16(image)


def test_a_text_of_no_eeprom_is_refused_at_once() -> None:
    """A text that is longer than any dump can be is not read line by line."""
    text = b"0000: 00 01 02 03 04 05 06 07\n" * (1 << 19)
    with pytest.raises(FindingsError) as caught:
        read_dump(text, "huge.txt")
    (finding,) = caught.value.findings
    assert ("PS626", f"the text has {len(text)} bytes: that is no dump of one EEPROM") == (
        finding.code, finding.message)
