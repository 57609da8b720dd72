"""What calls put on the bus, and how long that can take: transfers, their bits, and waiting.

A transfer that is not acknowledged is made again after `poll_us`, until `timeout_us` have passed;
reads without a write between them share that time (PORTING.md, section 7). Knows parts and bits;
knows no layout.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from paramstore.layout.physics import bits_ms, read_bits, write_bits
from paramstore.schema.part import Part

__all__ = ["Traffic", "page_write", "reading", "total"]


@dataclass(frozen=True, slots=True)
class Traffic:
    """Transfers and their bits, all acknowledged at once; those that write, by themselves too."""

    bits: int = 0
    transfers: int = 0
    written_bits: int = 0
    writes: int = 0

    def __add__(self, other: Traffic) -> Traffic:
        return Traffic(self.bits + other.bits, self.transfers + other.transfers,
                       self.written_bits + other.written_bits, self.writes + other.writes)

    def __mul__(self, times: int) -> Traffic:
        return Traffic(self.bits * times, self.transfers * times, self.written_bits * times,
                       self.writes * times)

    __rmul__ = __mul__

    def together(self) -> Traffic:
        """Return the same reads, which share one timeout: no write lies between them."""
        return replace(self, transfers=1)

    def longest_ms(self, part: Part, khz: int) -> float:
        """Return the time if the part acknowledges each transfer at the last try only, or the first
        of those that go together.

        A read is refused in its head; a page write can be refused at its last byte.
        """
        tries = math.ceil(part.timeout_us / part.poll_us) + 1  # and one for rounding of time
        head = read_bits(part.address_bytes, 0)
        refused = tries * (self.written_bits + head * (self.transfers - self.writes))
        waiting = tries * self.transfers * part.poll_us
        return bits_ms(self.bits + refused, khz) + waiting / 1000


def reading(part: Part, count: int) -> Traffic:
    """Return one read of `count` bytes."""
    return Traffic(read_bits(part.address_bytes, count), 1)


def page_write(part: Part, count: int) -> Traffic:
    """Return one write of `count` bytes."""
    bits = write_bits(part.address_bytes, count)
    return Traffic(bits, 1, bits, 1)


def total(traffic: Iterable[Traffic]) -> Traffic:
    """Return everything together."""
    return sum(traffic, Traffic())
