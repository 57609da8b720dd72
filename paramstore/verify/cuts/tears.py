"""What a cut inside a write cycle leaves of a page: the tears of `harness/part.c`, in Python.

Written a second time so that a history found by the harness can be replayed on the byte-level
simulator; a test demands the same bytes of both. Knows pages, no store.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from paramstore.verify.eeprom.faults import Fault, PageWrite, Torn

__all__ = ["KINDS", "LostWrite", "PageTear", "TornWrite"]

KINDS = (Torn.OLD, Torn.NEW, Torn.PREFIX, Torn.SUFFIX, Torn.ERASED, Torn.ZEROS,
         Torn.ERASED_PREFIX, Torn.AND, Torn.OR, Torn.MIX, Torn.NOISE)
"""In the order of the C enumeration."""

_WORD = 0xFFFF_FFFF_FFFF_FFFF


@dataclass(frozen=True, slots=True)
class PageTear:
    """One torn outcome. The bytes written are numbered from 0 as they went over the bus; `at` is
    such a number, `seed` fixes the random kinds. With `rest`, the bytes of the page that were not
    written hold random bytes too."""

    kind: Torn
    at: int = 0
    seed: int = 0
    rest: bool = False

    @property
    def random(self) -> bool:
        """Whether chance decides what is left."""
        return self.rest or self.kind in (Torn.MIX, Torn.NOISE)

    def apply(self, before: bytes, after: bytes, first: int, count: int) -> bytes:
        """Return what is left of a page of which `count` bytes from offset `first` on (rolling
        over at its end) were to change from `before` to `after`."""
        chance = _chance(self.seed)
        torn = bytearray(before)
        places = [(first + i) % len(before) for i in range(len(before))]
        for i, at in enumerate(places[:count]):
            torn[at] = self._byte(i, before[at], after[at], chance)
        for at in places[count:] if self.rest else ():
            torn[at] = next(chance)
        return bytes(torn)

    def _byte(self, i: int, old: int, new: int, chance: Iterator[int]) -> int:
        match self.kind:
            case Torn.OLD:
                return old
            case Torn.NEW:
                return new
            case Torn.PREFIX:
                return new if i < self.at else old
            case Torn.SUFFIX:
                return old if i < self.at else new
            case Torn.ERASED:
                return 0xFF
            case Torn.ZEROS:
                return 0
            case Torn.ERASED_PREFIX:
                return new if i < self.at else 0xFF
            case Torn.AND:
                return old & new
            case Torn.OR:
                return old | new
            case Torn.MIX:
                return old ^ ((old ^ new) & next(chance))
            case Torn.NOISE:
                return next(chance)


@dataclass
class TornWrite(Fault):
    """Power goes inside write cycle `number` of a simulated part and leaves the page torn."""

    number: int
    tear: PageTear

    def write(self, write: PageWrite) -> None:
        """Tear the page of the cycle asked for."""
        if write.number == self.number:
            write.new = self.tear.apply(write.old, write.new, write.first, write.count)
            write.cut = True


@dataclass
class LostWrite(Fault):
    """Write cycle `number` of a simulated part changes nothing, though the part acknowledged."""

    number: int

    def write(self, write: PageWrite) -> None:
        """Leave the page of the cycle asked for as it was."""
        if write.number == self.number:
            write.new = write.old


def _scatter(x: int) -> int:
    """The finaliser of splitmix64 (Steele, Lea and Flood 2014)."""
    x = (x ^ x >> 30) * 0xBF58476D1CE4E5B9 & _WORD
    x = (x ^ x >> 27) * 0x94D049BB133111EB & _WORD
    return x ^ x >> 31


def _chance(seed: int) -> Iterator[int]:
    """Random bytes, four from the upper half of each number, least significant first."""
    state = seed
    while True:
        state = state + 0x9E3779B97F4A7C15 & _WORD
        yield from (_scatter(state) >> 32).to_bytes(4, "little")
