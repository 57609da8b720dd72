"""A dump that lies elsewhere, is shifted, or was read over a bad line is recognised and said."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, SourceText
from paramstore.files import binary
from paramstore.files.forms import FORMS, WriteOptions, encode_image, read_dump
from paramstore.files.runs import Reading, Run, swapped
from paramstore.image.pack import pack
from paramstore.inspect.align import Alignment, align, evidence
from tests.inspect.scenes import PLAN, used_unit

IMAGE = bytes(used_unit("settings", 6, random.Random(1)).bench.device.memory)


def aligned(data: bytes, offset: int | None = None) -> Alignment:
    return align(binary.read(data, "x.bin"), PLAN, offset)


def count(size: int) -> str:
    return "1 byte" if size == 1 else f"{size} bytes"


def said(found: Alignment) -> list[tuple[str, str]]:
    return [(f.code, f.message) for f in found.findings]


def test_a_whole_dump_stays_as_it_is() -> None:
    """What fits is not touched: two label copies and four records of the ring speak for it."""
    found = aligned(IMAGE)
    assert (IMAGE, [], 6) == (found.dump.data, said(found), found.score)


def test_a_part_inside_a_larger_file_is_found() -> None:
    """Addresses of a controller's flash: the label says where the part begins."""
    content = encode_image(b"\xff" * 512 + IMAGE, FORMS["hex"], WriteOptions(offset=0x08010000))
    found = align(read_dump(content, "x.hex"), PLAN)
    assert IMAGE == found.dump.data
    assert [("PS651", "the part is taken to begin at 0x8010200 of the file; 512 bytes outside the "
             "part are left out")] == said(found)


def test_a_dump_that_begins_at_another_address_is_taken_as_the_part() -> None:
    """Without a label the first address of a file of the right size is address 0."""
    image = b"\xff" * 64 + IMAGE[64:]
    content = encode_image(image, FORMS["hex"], WriteOptions(offset=0x2000))
    found = align(read_dump(content, "x.hex"), PLAN)
    assert (image, ["PS651"]) == (found.dump.data, [c for c, _ in said(found)])


def test_what_a_person_says_is_kept() -> None:
    """An offset that is given is not argued with; data outside are refused."""
    content = encode_image(IMAGE, FORMS["hex"], WriteOptions(offset=0x2000))
    assert IMAGE == align(read_dump(content, "x.hex"), PLAN, 0x2000).dump.data
    with pytest.raises(FindingsError):
        align(read_dump(content, "x.hex"), PLAN, 0x2010)


@pytest.mark.parametrize("shift", [1, 3, 16, 100, 512])
def test_bytes_too_many_in_front_are_told(shift: int) -> None:
    """A dump with something before its first byte is moved back."""
    found = aligned(bytes(range(1, 1 + shift % 256)) * 3 + IMAGE)
    lead = 3 * (shift % 256)
    if lead:
        assert IMAGE == found.dump.data
        assert [("PS652", f"the dump is shifted: {count(lead)} too many before the first one of "
                 "the part")] == said(found)


@pytest.mark.parametrize("lost", [1, 2, 31, 64, 200])
def test_bytes_missing_in_front_are_told(lost: int) -> None:
    """A dump that lost its first bytes is moved by its second label, or by its records."""
    found = aligned(IMAGE[lost:])
    assert b"\xff" * lost + IMAGE[lost:] == found.dump.data
    assert ((0, lost),) == found.dump.gaps
    assert [("PS652", f"the dump is shifted: {count(lost)} missing at the beginning of the part")
            ] == said(found)


@pytest.mark.parametrize("start", [0x20, 0x91, 0x800])
def test_a_dump_that_goes_round_the_end_is_turned(start: int) -> None:
    """A read from another address on goes on at 0 behind the last byte."""
    found = aligned(IMAGE[start:] + IMAGE[:start])
    assert IMAGE == found.dump.data
    assert [("PS652", f"the dump begins at address 0x{start:X} of the part and goes round its end")
            ] == said(found)


@pytest.mark.parametrize("width", [2, 4])
def test_words_the_wrong_way_round_are_turned(width: int) -> None:
    """A binary dump written word by word."""
    found = aligned(swapped(IMAGE, width))
    assert (IMAGE, ["PS654"]) == (found.dump.data, [c for c, _ in said(found)])


def test_gaps_move_with_the_bytes() -> None:
    """What was not read stays not read where a dump is turned or moved; a word that lacks a byte
    was not read as a whole."""
    def lacking(data: bytes, first: int, end: int) -> Alignment:
        runs = (Run(0, data[:first]), Run(end, data[end:]))
        return align(Reading("text", "", SourceText("x.txt", ""), runs), PLAN)

    assert ((0x200, 0x212),) == lacking(swapped(IMAGE, 2), 0x201, 0x211).dump.gaps
    late = IMAGE[3:].ljust(4096, b"\xff")
    assert ((0, 3), (0x203, 0x213)) == lacking(late, 0x200, 0x210).dump.gaps
    turned = IMAGE[0x800:] + IMAGE[:0x800]
    assert ((0xA00, 0xA10),) == lacking(turned, 0x200, 0x210).dump.gaps


@pytest.mark.parametrize("bit", [6, 7, 8, 9, 10, 11])
def test_an_address_line_without_effect_is_told(bit: int) -> None:
    """Each address reads what lies where that line is low."""
    data = bytes(IMAGE[a & ~(1 << bit)] for a in range(len(IMAGE)))
    found = aligned(data)
    assert [("PS653", f"address line A{bit} has no effect: the bytes on both sides of it are the "
             "same")] == said(found)


@pytest.mark.parametrize("stuck", [0, 1])
@pytest.mark.parametrize("bit", [6, 7, 9])
def test_what_an_address_line_hides_was_not_read(bit: int, stuck: int) -> None:
    """The side that shows the other one's bytes is a gap, not erased or worn slots; which one that
    is the records tell."""
    full = bytes(used_unit("settings", 40, random.Random(2)).bench.device.memory)
    step = 1 << bit
    data = bytes(full[a | step if stuck else a & ~step] for a in range(len(full)))
    found = aligned(data)
    assert ["PS653"] == [code for code, _ in said(found)]
    hidden = [a for a in range(len(full)) if bool(a & step) != bool(stuck)]
    assert hidden == [a for first, end in found.dump.gaps for a in range(first, end)]
    assert all(found.dump.data[a] == (0xFF if a in set(hidden) else full[a]) for a in range(600))


def test_an_address_line_that_breaks_the_label_is_told() -> None:
    """No label and no record is whole then, but what a label begins with stands twice."""
    data = bytes(IMAGE[a & ~(1 << 4)] for a in range(len(IMAGE)))
    assert [("PS653", "address line A4 has no effect: the bytes on both sides of it are the same")
            ] == said(aligned(data))


@pytest.mark.parametrize("times", [2, 3, 8])
def test_a_part_read_several_times_over_is_taken_once(times: int) -> None:
    """A dump of a part that was taken for a larger one goes round and round."""
    found = aligned(IMAGE * times)
    assert IMAGE == found.dump.data
    assert [("PS655", f"the dump has {4096 * times} bytes and repeats itself every 4096: it was "
             "read as a larger part")] == said(found)


def test_two_equal_labels_are_no_bad_line() -> None:
    """A packed part has both labels, and nothing in most places: no line is blamed for it."""
    whole = pack(PLAN, {}, defaults=True)
    assert [] == said(aligned(whole)) == said(aligned(IMAGE[:64].ljust(4096, b"\xff")))


@given(st.binary(max_size=3000))
def test_any_bytes_are_left_alone(data: bytes) -> None:
    """Chance is no evidence."""
    if data:
        found = aligned(data)
        assert (data, 0, []) == (found.dump.data, found.score, said(found))


def test_evidence_counts_what_is_whole() -> None:
    """Labels and records in their places, nothing else."""
    assert 0 == evidence(PLAN, b"\xff" * 4096) == evidence(PLAN, b"")
    assert 5 == evidence(PLAN, b"\0" * 32 + IMAGE[32:])
