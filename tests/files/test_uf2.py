"""UF2: what is written is read back by another reader, and every field of a block is checked."""

from __future__ import annotations

import contextlib
import io
import struct

import pytest
from adafruit_uf2 import uf2conv
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.files.forms import FORMS, WriteOptions, encode_image
from paramstore.files.runs import flatten
from paramstore.files.uf2 import read

FAMILY = 0xE48BFF56
CONTENT = bytes(range(256)) * 2 + b"end"


def written(content: bytes = CONTENT, offset: int = 0x10000) -> bytes:
    return encode_image(content, FORMS["uf2"], WriteOptions(offset=offset, family=FAMILY))


def test_a_block_is_what_the_specification_says() -> None:
    """Magic numbers, flags, addresses, numbers and padding stand where README.md of microsoft/uf2
    puts them."""
    last = written()[1024:]
    assert (0x0A324655, 0x9E5D5157, 0x2000, 0x10200, 256, 2, 3, FAMILY) == struct.unpack(
        "<8I", last[:32])
    assert b"end" + b"\xff" * 473 == last[32:508]
    assert (0x0AB16F30,) == struct.unpack("<I", last[508:])


@given(st.binary(min_size=1, max_size=900), st.integers(0, 0x1000).map(lambda n: 256 * n))
def test_an_independent_reader_finds_the_same_bytes(content: bytes, offset: int) -> None:
    """adafruit-uf2 reads back what was written, and so do we. (It does not look at the last magic
    number; the test above does.)"""
    data = written(content, offset)
    with contextlib.redirect_stdout(io.StringIO()):
        theirs = uf2conv.convert_from_uf2(data)
    assert content == bytes(theirs)[:len(content)]
    ours, _ = flatten(read(data, "x").runs, offset, offset + len(content))
    assert content == ours


def test_blocks_may_come_in_any_order() -> None:
    """The address of a block counts, not its place in the file."""
    data = written()
    turned = data[1024:] + data[512:1024] + data[:512]
    assert CONTENT == flatten(read(turned, "x").runs, 0x10000, 0x10000 + len(CONTENT))[0]


def changed(at: int, value: int, size: int = 4) -> bytes:
    data = bytearray(written())
    data[at:at + size] = value.to_bytes(size, "little")
    return bytes(data)


REFUSED = {
    "first magic": (changed(512, 1), "PS627", "block 1 does not have the magic numbers of UF2"),
    "second magic": (changed(4, 1), "PS627", "block 0 does not have the magic numbers of UF2"),
    "end magic": (changed(508, 1), "PS627", "block 0 does not have the magic numbers of UF2"),
    "payload too long": (changed(16, 480), "PS627", "block 0 gives 480 bytes at 0x10000; a block "
                         "holds at most 476, in steps of 4"),
    "number": (changed(20, 3), "PS627", "block 0 says that it is number 3 of 3"),
    "twice the same address": (changed(512 + 12, 0x10000), "PS625",
                               "address 0x10000 was given before"),
    "cut in a block": (written()[:-1], "PS627",
                       "the file has 1535 bytes, not a multiple of 512"),
    "cut between blocks": (written()[:1024], "PS624",
                           "the file has 2 of 3 blocks: it was cut short"),
    "two families": (changed(512 + 28, 7), "PS628",
                     "the file is for several families: 0xE48BFF56, 0x00000007"),
    "nothing for flash": (struct.pack("<8I", 0x0A324655, 0x9E5D5157, 1, 0, 256, 0, 1, 0).ljust(
        508, b"\0") + struct.pack("<I", 0x0AB16F30), "PS620", "`x` holds no data"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_file_that_is_not_whole_is_refused(name: str) -> None:
    """Every defect is told with its block, and nothing is read."""
    data, code, message = REFUSED[name]
    with pytest.raises(FindingsError) as caught:
        read(data, "x")
    assert (code, message) == (caught.value.findings[0].code, caught.value.findings[0].message)
