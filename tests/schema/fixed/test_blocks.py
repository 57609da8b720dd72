"""Blocks that are there at times, and blocks that are copies of one another.

All example data are invented.
"""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, SourceText
from paramstore.schema.fixed.contents import read_image
from paramstore.schema.fixed.found import Copy, GroupPresence
from paramstore.schema.fixed.reader import read_layout

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
