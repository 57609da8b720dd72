"""Where a number lies in an image: a run of bits, gathered from pieces of single bytes. And bits
that stand for no value.

Whole bytes in either order, bit fields and values split over the image are all the same to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from paramstore.core.scalars import Raw
from paramstore.core.words import address_range

__all__ = ["Bits", "Elements", "NoValue", "Place", "gather", "place_bytes", "place_width",
           "show_place", "whole_bytes"]


class Bits(NamedTuple):
    """`width` bits of the byte at `address`, from bit `low` (0 the lowest) up."""

    address: int
    low: int = 0
    width: int = 8


Place = tuple[Bits, ...]
"""Where a number lies: pieces of bytes, the highest bits first."""


class NoValue(NamedTuple):
    """An element whose bits stand for nothing: the number they are, and what that is not."""

    stored: int
    width: int
    lacks: str

    @property
    def text(self) -> str:
        """The stored number in hexadecimal."""
        return f"0x{self.stored:0{-(-self.width // 4)}X}"


Elements = tuple[Raw | NoValue, ...]
"""Of a field, sound or not."""


def whole_bytes(address: int, size: int, order: str) -> Place:
    """Return the place of a number of `size` bytes in the order "little" or "big"."""
    addresses = range(address, address + size)
    return tuple(map(Bits, addresses if order == "big" else reversed(addresses)))


def place_width(place: Place) -> int:
    """Return the bits of a place."""
    return sum(bits.width for bits in place)


def place_bytes(place: Place) -> list[int]:
    """Return the addresses of the bytes that a place has a part in, in order."""
    return sorted({bits.address for bits in place})


def gather(image: Sequence[int], place: Place) -> int:
    """Return the unsigned number at a place; all of its bytes must be in the image."""
    number = 0
    for bits in place:
        piece = (image[bits.address] >> bits.low) & ((1 << bits.width) - 1)
        number = number << bits.width | piece
    return number


def show_place(place: Place) -> str:
    """Return a place as a schema spells it, in hexadecimal; whole bytes in a row as one."""
    place = _joined(place)
    addresses = [bits.address for bits in place]
    first, end = min(addresses), max(addresses) + 1
    run = list(range(first, end))
    if all(bits.width == 8 for bits in place) and addresses in (run, run[::-1]):
        return address_range(first, end)
    return ", ".join(map(_show_bits, place))


def _joined(place: Place) -> Place:
    """Return a place with neighbouring pieces of a byte put together."""
    pieces: list[Bits] = []
    for bits in place:
        last = pieces[-1] if pieces else bits
        if pieces and last.address == bits.address and last.low == bits.low + bits.width:
            pieces[-1] = Bits(bits.address, bits.low, last.width + bits.width)
        else:
            pieces.append(bits)
    return tuple(pieces)


def _show_bits(bits: Bits) -> str:
    high = bits.low + bits.width - 1
    where = "" if bits.width == 8 else f".{high}" if bits.width == 1 else f".{high}-{bits.low}"
    return f"0x{bits.address:04X}{where}"
