"""Bytes shown as words: in which order they lie on the EEPROM, and how that is told.

A 16-bit word `534C` stands for 53 4C where a dump shows bytes in their order, and for 4C 53 where
it shows the number that a little-endian processor reads. Nothing in the words tells the two apart;
an ASCII column does, and so do bytes that are known to be there (see `Known`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from enum import StrEnum

__all__ = ["Known", "Order", "recognised", "swapped"]

Known = Callable[[bytes], bool]
"""Whether bytes hold something that is known to be on the EEPROM."""


class Order(StrEnum):
    """Which byte of a word comes first on the EEPROM: the one written left, or the one right."""

    BIG = "big"
    LITTLE = "little"

    @property
    def words(self) -> str:
        """The order for people."""
        return "high byte first" if self is Order.BIG else "low byte first"


def swapped(data: bytes, width: int) -> bytes:
    """Return `data` with the bytes of each word of `width` bytes in the other order."""
    whole = len(data) - len(data) % width
    turned = bytearray(data)
    for byte in range(width):
        turned[byte:whole:width] = data[width - 1 - byte:whole:width]
    return bytes(turned)


def recognised(data: bytes, width: int, orders: Iterable[Order], known: Known) -> tuple[Order, ...]:
    """Return the orders among `orders` in which `data`, given high byte first, is known."""
    return tuple(
        order for order in orders
        if known(data if order is Order.BIG else swapped(data, width))
    )
