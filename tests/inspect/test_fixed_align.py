"""A fixed layout is found where it lies, as a store is: words swapped, shifted, turned round."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.disk import read_text
from paramstore.core.errors import FindingsError, SourceText
from paramstore.files import binary
from paramstore.files.forms import FORMS, ReadOptions, WriteOptions, encode_image, read_dump
from paramstore.files.runs import Order, swapped
from paramstore.inspect.examine import examine, recogniser
from paramstore.inspect.fixed import FixedExamination, examine_fixed
from paramstore.schema.fixed.model import FixedLayout
from paramstore.schema.fixed.reader import read_layout
from tests.schema.fixed.legacy import legacy

ROOT = Path(__file__).parents[2]
EDID, _ = read_layout(read_text(ROOT / "schemas" / "edid.fixed.toml"))
LEGACY, _ = read_layout(read_text(ROOT / "schemas" / "tank_probe.fixed.toml"))
DISPLAY = (ROOT / "tests" / "data" / "edid-sun-gh19ps.bin").read_bytes()
UNIT = legacy()
LAYOUTS = pytest.mark.parametrize(("layout", "image"), [(EDID, DISPLAY), (LEGACY, UNIT)],
                                  ids=["edid", "legacy"])


def found(data: bytes, layout: FixedLayout = LEGACY, offset: int | None = None) -> FixedExamination:
    return examine_fixed(binary.read(data, "x.bin"), layout, offset)


def moved(of: FixedExamination) -> list[tuple[str, str]]:
    return [(f.code, f.message) for f in of.findings if f.code.startswith("PS65")]


@LAYOUTS
def test_what_fits_stays(layout: FixedLayout, image: bytes) -> None:
    """A sound dump is not touched, nor one with more behind it."""
    for data in (image, image + b"\xff" * 100, image + image[::-1]):
        assert (image, []) == (found(data, layout).contents.image, moved(found(data, layout)))


@LAYOUTS
@pytest.mark.parametrize("width", [2, 4])
def test_swapped_words_are_turned(layout: FixedLayout, image: bytes, width: int) -> None:
    """Constants and checksums that are right the other way round speak for that."""
    of = found(swapped(image, width), layout)
    assert image == of.contents.image
    assert [("PS654", f"the bytes of each {8 * width}-bit word are the wrong way round: they are "
             "read the other way")] == moved(of)


@LAYOUTS
@pytest.mark.parametrize("lead", [1, 2, 7, 40, 300])
def test_bytes_too_many_in_front_are_left_out(layout: FixedLayout, image: bytes, lead: int) -> None:
    """The longest constant says where the layout begins."""
    of = found(bytes(range(1, 255))[:lead].ljust(lead, b"\x55") + image, layout)
    assert image == of.contents.image
    assert [("PS652", f"the dump is shifted: {lead} byte{'s' * (lead > 1)} too many before the "
             "first one of the part")] == moved(of)


@LAYOUTS
@pytest.mark.parametrize("start", [1, 16, 41])
def test_a_dump_that_goes_round_the_end_is_turned(layout: FixedLayout, image: bytes,
                                                  start: int) -> None:
    """A part read from another address on goes on at 0 behind its last byte."""
    part = image.ljust(256, b"\xff")
    of = found(part[start:] + part[:start], layout)
    assert image == of.contents.image
    assert [("PS652", f"the dump begins at address 0x{start:X} of the part and goes round its end")
            ] == moved(of)


def test_bytes_missing_in_front_are_not_read_as_anything() -> None:
    """Where enough that is right is left, a dump without its first bytes is moved."""
    schema = SourceText("late.toml", """\
[fixed]
name = "late"
size = 24
[group.head.parameter]
speed = { type = "u32", at = 0 }
sign = { type = "u32", at = 8, always = 0x5A0FC396 }
""")
    layout, _ = read_layout(schema)
    image = bytes(8) + (0x5A0FC396).to_bytes(4, "little") + bytes(12)
    of = found(image[3:], layout)
    assert [("PS652", "the dump is shifted: 3 bytes missing at the beginning of the part")] == (
        moved(of))
    assert ((0, 3),) == of.contents.gaps
    assert "speed" not in of.contents.group("head").values


def test_a_wrong_checksum_does_not_hide_swapped_words() -> None:
    """Constants alone do where nothing is all right as it stands."""
    image = bytearray(UNIT)
    image[40] ^= 1
    of = found(swapped(bytes(image), 2))
    assert (bytes(image), ["PS654"]) == (of.contents.image, [code for code, _ in moved(of)])
    assert "PS670" in {f.code for f in of.findings}


def test_what_a_person_says_is_kept() -> None:
    """An offset is not argued with; one at which the file has nothing is refused,
    whatever lies between."""
    assert [] == moved(found(b"ab" + UNIT, offset=0))
    assert UNIT == found(b"ab" + UNIT, offset=2).contents.image
    with pytest.raises(FindingsError, match="PS626"):
        found(UNIT, offset=60)
    far = read_dump(encode_image(UNIT, FORMS["hex"], WriteOptions(offset=1 << 31)), "x.hex")
    with pytest.raises(FindingsError, match="PS626"):
        examine_fixed(far, LEGACY, 0)
    around = read_dump(b"0000: 01 02 03 04\n0004: 05 06 07 08\n1000: 01 02 03 04\n", "x.txt")
    with pytest.raises(FindingsError, match="PS626"):
        examine_fixed(around, LEGACY, 0x800)


def test_words_of_a_text_are_put_in_order() -> None:
    """A hex dump of words without an ASCII column is settled by the constants."""
    for order in Order:
        data = UNIT if order is Order.BIG else swapped(UNIT, 2)
        text = "\n".join(f"{at:04X}: " + data[at:at + 16].hex(" ", 2)
                         for at in range(0, len(data), 16))
        reading = read_dump(text.encode(), "x.txt",
                            options=ReadOptions(recognises=recogniser(lambda: [LEGACY])))
        of = examine(reading, [LEGACY])
        assert (UNIT, 2) == (of.contents.image, reading.word_bytes)


def test_addresses_of_another_memory() -> None:
    """A file that begins beyond the layout, with words swapped as well."""
    content = encode_image(swapped(UNIT, 2), FORMS["hex"], WriteOptions(offset=0x8000))
    of = examine_fixed(read_dump(content, "x.hex"), LEGACY)
    assert (UNIT, ["PS651", "PS654"]) == (of.contents.image, [code for code, _ in moved(of)])


@given(st.binary(min_size=1, max_size=600))
def test_any_bytes_are_left_alone(data: bytes) -> None:
    """Chance is no evidence."""
    for layout in (EDID, LEGACY):
        of = found(data, layout)
        assert (data[:layout.size], []) == (of.contents.image, moved(of))


@pytest.mark.parametrize(("over", "told"), [
    ('"0-3"', "0x0000 to 0x0003"), ('"0-1", "2-3"', "0x0000 to 0x0003"),
    ('"0-1", "4-6"', "0x0000 to 0x0001, 0x0004 to 0x0006"),
    ('"6-7", "0-1"', "0x0006 to 0x0007, 0x0000 to 0x0001")])
def test_a_wrong_checksum_tells_what_it_is_over(over: str, told: str) -> None:
    """In the order in which it goes over them, what is side by side as one range."""
    source = SourceText("demo.toml", '[fixed]\nname = "demo"\nsize = 16\n\n[group.a.parameter]\n'
                        'x = { type = "u8", at = 0 }\n[group.a.check]\n'
                        f'c = {{ type = "sum", over = [{over}], at = 8 }}\n')
    image = bytes([1] * 8) + b"\x99" + bytes(7)
    found = examine_fixed(read_dump(image, "x", FORMS["bin"]), read_layout(source)[0])
    (finding,) = (f for f in found.findings if f.code == "PS670")
    assert (f"it stands at 0x0008 and is over {told}",) == finding.notes
