"""What can go wrong with a simulated part: the hooks, and power cuts with torn pages.

A `Fault` sees every byte on the bus, every page write and every byte read, and may change them.
The base class changes nothing; a part without faults has an empty list of them. This module
knows bytes and pages, not what they mean.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

__all__ = [
    "UNTOUCHED",
    "BusError",
    "CutAtByte",
    "CutAtWrite",
    "DeadPage",
    "Fault",
    "PageWrite",
    "PowerCut",
    "Tear",
    "Torn",
]


class BusError(Exception):
    """The bus failed: arbitration lost, or a line held by somebody else."""


class Torn(StrEnum):
    """What the cells of a page hold after a cut inside its write cycle."""

    OLD = "old"
    NEW = "new"  # whole, but nobody was told
    PREFIX = "prefix"  # the first `at` bytes new, the rest old
    SUFFIX = "suffix"  # the bytes from `at` on new, the rest old
    ERASED = "erased"
    ERASED_PREFIX = "erased prefix"  # the first `at` bytes new, the rest erased
    ZEROS = "zeros"
    AND = "and"
    OR = "or"
    MIX = "mix"  # each bit old or new by chance
    NOISE = "noise"  # random bytes


@dataclass(frozen=True, slots=True)
class Tear:
    """A torn outcome; `at` is a byte offset in the page, `seed` fixes the random kinds."""

    kind: Torn = Torn.OLD
    at: int = 0
    seed: int = 0

    def apply(self, old: bytes, new: bytes) -> bytes:
        """Return what is left of a page that held `old` and was to hold `new`."""
        return _TORN[self.kind](self, old, new)


def _mix(tear: Tear, old: bytes, new: bytes) -> bytes:
    chance = random.Random(tear.seed)
    return bytes(o ^ ((o ^ n) & chance.getrandbits(8)) for o, n in zip(old, new, strict=True))


_TORN: dict[Torn, Callable[[Tear, bytes, bytes], bytes]] = {
    Torn.OLD: lambda tear, old, new: old,
    Torn.NEW: lambda tear, old, new: new,
    Torn.PREFIX: lambda tear, old, new: new[: tear.at] + old[tear.at :],
    Torn.SUFFIX: lambda tear, old, new: old[: tear.at] + new[tear.at :],
    Torn.ERASED: lambda tear, old, new: b"\xff" * len(new),
    Torn.ERASED_PREFIX: lambda tear, old, new: new[: tear.at].ljust(len(new), b"\xff"),
    Torn.ZEROS: lambda tear, old, new: bytes(len(new)),
    Torn.AND: lambda tear, old, new: bytes(o & n for o, n in zip(old, new, strict=True)),
    Torn.OR: lambda tear, old, new: bytes(o | n for o, n in zip(old, new, strict=True)),
    Torn.MIX: _mix,
    Torn.NOISE: lambda tear, old, new: random.Random(tear.seed).randbytes(len(new)),
}


UNTOUCHED = Tear()
"""A cut before the first cell changed."""


class PowerCut(Exception):
    """The power has gone; whoever was driving the bus is no more.

    `tear` is what a write cycle that was still going on leaves behind.
    """

    def __init__(self, tear: Tear = UNTOUCHED) -> None:
        super().__init__("the power was cut")
        self.tear = tear


@dataclass(slots=True)
class PageWrite:
    """One write cycle, as it will happen. A fault may change `new`, `cycle_us` and `cut`.

    `number` counts write cycles of the part from 1. `new` is what the whole page will hold, of
    which `count` bytes from offset `first` on (rolling over) were sent; `cycle_us` is how long the
    part is busy; with `cut` the power goes in the middle of the cycle.
    """

    number: int
    page: int
    old: bytes
    new: bytes
    cycle_us: float
    cut: bool = False
    first: int = 0
    count: int = 0


class Fault:
    """Hooks into a simulated part. Override those you need; these change nothing."""

    def byte(self, number: int) -> bool:
        """Byte `number` (from 1, since the part was made) goes over the bus: is it acknowledged?

        False suppresses an acknowledge that the part would give. May raise PowerCut or BusError.
        """
        return True

    def write(self, write: PageWrite) -> None:
        """A write cycle begins: change `write` as the fault demands."""

    def read(self, address: int, value: int) -> int:
        """Return what the cells at `address`, which hold `value`, read as this time."""
        return value


@dataclass
class CutAtByte(Fault):
    """Power goes as byte `number` begins; `tear` is for a write cycle that goes on then."""

    number: int
    tear: Tear = UNTOUCHED

    def byte(self, number: int) -> bool:
        """Cut at the byte asked for."""
        if number == self.number:
            raise PowerCut(self.tear)
        return True


@dataclass
class CutAtWrite(Fault):
    """Power goes inside write cycle `number`; the page is left as `tear` says."""

    number: int
    tear: Tear = UNTOUCHED

    def write(self, write: PageWrite) -> None:
        """Tear the page of the cycle asked for."""
        if write.number == self.number:
            write.new = self.tear.apply(write.old, write.new)
            write.cut = True


@dataclass
class DeadPage(Fault):
    """The cells of a worn page keep what they hold, whatever is written to them."""

    page: int

    def write(self, write: PageWrite) -> None:
        """Leave the page as it was."""
        if write.page == self.page:
            write.new = write.old
