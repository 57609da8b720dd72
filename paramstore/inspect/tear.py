"""An interrupted write: which bytes of a slot are old, which new, and how sure that is.

When power goes in a page write, the page is left old, new, erased, or a mixture. What was there
and what was to come are partly known: the sequence numbers always, the rest from the neighbours
of the slot. Clean tears (a front or an end of the page new, the rest old or erased) are tried one
by one; if putting back what a tear took gives a record with a right CRC, the tear is proven, and
so is every byte. Without a proof the tear that fits the neighbours best is named, as an inference.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import StrEnum
from operator import ne
from typing import NamedTuple

from paramstore.core.format import CRC_BYTES, ERASED, RECORD_PARTS
from paramstore.layout.plan import Plan, Ring
from paramstore.record import record_crc

__all__ = ["ByteSource", "Segment", "TornSlot", "find_tear", "segments"]

_SEQUENCE_BYTES = RECORD_PARTS[0].size


class ByteSource(StrEnum):
    """Where a byte of an interrupted write comes from."""

    OLD = "old"  # of the record that was to be replaced
    NEW = "new"  # of the record that was being written
    SAME = "same"  # both records have it
    ERASED = "erased"  # FF, as the part leaves a page before it programs it
    CLEARED = "cleared"  # 00
    MIXED = "mixed"  # some bits of the one, some of the other
    OTHER = "other"  # neither


class Segment(NamedTuple):
    """Bytes of a record of one source, from `first` to before `end`."""

    first: int
    end: int
    source: ByteSource


class TornSlot(NamedTuple):
    """How a slot was torn. `old_sequence` is None if the slot was erased before.

    `sure` says of each byte whether a CRC or the sequence number proves its source; that of the
    others follows from the neighbours, so a byte that was changed may be misjudged. `old` and
    `new` are the two records where a CRC proves them whole: what was there, and what was never
    acknowledged.
    """

    old_sequence: int | None
    new_sequence: int
    sources: tuple[ByteSource, ...]
    sure: tuple[bool, ...]
    old: bytes | None = None
    new: bytes | None = None

    @property
    def proven(self) -> bool:
        """Whether a CRC shows the tear."""
        return self.old is not None or self.new is not None


def segments(sources: Sequence[ByteSource]) -> Iterator[Segment]:
    """Yield runs of equal sources, in order."""
    first = 0
    for at in range(1, len(sources) + 1):
        if at == len(sources) or sources[at] is not sources[first]:
            yield Segment(first, at, sources[first])
            first = at


def find_tear(plan: Plan, ring: Ring, data: bytes, old: tuple[int, bytes] | None,
              new: tuple[int, bytes]) -> TornSlot:
    """Return how `data`, the bytes of a record in its slot, came to be by an interrupted write.

    `old` and `new` are the sequence number and what is thought to be the whole record: its number
    and revision are taken as they are, its body as a guess. `old` is None for an erased slot.
    """
    return _Search(plan, ring, data, old, new).run()


class _Guess(NamedTuple):
    """A clean tear: (first, end) offsets that are still old, are new, are FF and are 00."""

    old: tuple[tuple[int, int], ...] = ()
    new: tuple[tuple[int, int], ...] = ()
    erased: tuple[tuple[int, int], ...] = ()
    cleared: tuple[tuple[int, int], ...] = ()


class _Search:
    def __init__(self, plan: Plan, ring: Ring, data: bytes, old: tuple[int, bytes] | None,
                 new: tuple[int, bytes]) -> None:
        self._plan, self._ring, self._data = plan, ring, data
        self._old_sequence = old[0] if old else None
        self._new_sequence = new[0]
        size = ring.record_bytes
        # Before its first record a slot is erased, and that is known for sure.
        self._old = old[1] if old else bytes([ERASED]) * size
        self._new = new[1]

    def run(self) -> TornSlot:
        possible = [(guess, *self._proof(guess)) for guess in self._guesses()
                    if self._possible(guess)]
        proven = [p for p in possible if p[1] or p[2]]
        if possible:
            return self._tear(*min(proven or possible, key=lambda p: self._misfit(p[0])))
        return self._bit_by_bit()

    def _guesses(self) -> Iterator[_Guess]:
        """Yield the clean tears of each page: those before it are new, those after it old."""
        size = len(self._data)
        for first, length in self._ring.writes():
            end = first + length
            for at in range(first, end + 1):
                yield _Guess(old=((at, size),), new=((0, at),))
            for at in range(first + 1, end):
                yield _Guess(old=((first, at), (end, size)), new=((0, first), (at, end)))
            for at in range(first, end):
                yield _Guess(old=((end, size),), new=((0, at),), erased=((at, end),))
            yield _Guess(old=((end, size),), new=((0, first),), cleared=((first, end),))

    def _possible(self, guess: _Guess) -> bool:
        """Whether what is known of both records stands where a tear says, and what is no record
        is FF or 00."""
        data = self._data
        if any(data.count(fill, a, b) < b - a for ranges, fill in (
                (guess.erased, ERASED), (guess.cleared, 0)) for a, b in ranges):
            return False
        known = ((guess.new, self._new, _SEQUENCE_BYTES),
                 (guess.old, self._old,
                  _SEQUENCE_BYTES if self._old_sequence is not None else len(data)))
        return all(data[a:min(b, limit)] == record[a:min(b, limit)]
                   for ranges, record, limit in known for a, b in ranges if a < limit)

    def _proof(self, guess: _Guess) -> tuple[bytes | None, bytes | None]:
        """Return the old and the new record, each only if its CRC is right with what the tear
        took put back."""
        stored = len(self._data) - CRC_BYTES
        ends = (stored, len(self._data))
        whole_old = whole_new = None
        if self._old_sequence is not None and any(
                a <= ends[0] and b >= ends[1] for a, b in guess.old):
            whole_old = self._whole(self._old, guess.old)
        if any(a <= ends[0] and b >= ends[1] for a, b in guess.new):
            whole_new = self._whole(self._new, guess.new)
        elif any(a == 0 and b > stored + 1 for a, b in guess.new):
            # The body is all new, so its CRC is known, and 2 or 3 bytes of it are there.
            front = self._data[:stored]
            whole_new = front + self._crc(front)
            shared = next(b for a, b in guess.new if a == 0)
            if whole_new[stored:shared] != self._data[stored:shared]:
                whole_new = None
        return whole_old, whole_new

    def _whole(self, record: bytes, ranges: Sequence[tuple[int, int]]) -> bytes | None:
        mended = bytearray(record)
        for first, end in ranges:
            mended[first:end] = self._data[first:end]
        front = bytes(mended[:-CRC_BYTES])
        return bytes(mended) if self._crc(front) == mended[-CRC_BYTES:] else None

    def _crc(self, front: bytes) -> bytes:
        return record_crc(self._plan, self._ring, front)

    def _misfit(self, guess: _Guess) -> int:
        """Return how many bytes of the body a tear would leave unlike the neighbours."""
        stored = len(self._data) - CRC_BYTES
        return sum(
            sum(map(ne, self._data[a:min(b, stored)], record[a:]))
            for ranges, record in ((guess.old, self._old), (guess.new, self._new))
            for a, b in ranges if a < stored
        )

    def _tear(self, guess: _Guess, old: bytes | None, new: bytes | None) -> TornSlot:
        size = len(self._data)
        sources, sure = [ByteSource.OTHER] * size, [i < _SEQUENCE_BYTES for i in range(size)]
        for ranges, source, known in (
                (guess.old, ByteSource.OLD, old), (guess.new, ByteSource.NEW, new),
                (guess.erased, ByteSource.ERASED, b"any"),
                (guess.cleared, ByteSource.CLEARED, b"any")):
            for a, b in ranges:
                sources[a:b] = [source] * (b - a)
                sure[a:b] = [s or known is not None for s in sure[a:b]]
        # Where both records are known, a byte that both have is neither old nor new.
        before, after = old or self._old, new or self._new
        for i in range(size if old and new else _SEQUENCE_BYTES):
            if before[i] == after[i] and sources[i] in (ByteSource.OLD, ByteSource.NEW):
                sources[i] = ByteSource.SAME
        return TornSlot(self._old_sequence, self._new_sequence, tuple(sources), tuple(sure),
                         old, new)

    def _bit_by_bit(self) -> TornSlot:
        """Judge each byte by itself against the neighbours."""
        sources = tuple(
            _judge(byte, before, after)
            for byte, before, after in zip(self._data, self._old, self._new, strict=True)
        )
        sure = tuple(i < _SEQUENCE_BYTES or o in (ByteSource.ERASED, ByteSource.CLEARED)
                     for i, o in enumerate(sources))
        return TornSlot(self._old_sequence, self._new_sequence, sources, sure)


def _judge(byte: int, before: int, after: int) -> ByteSource:
    if byte in (before, after):
        return (ByteSource.SAME if before == after
                else ByteSource.OLD if byte == before else ByteSource.NEW)
    if byte == ERASED:
        return ByteSource.ERASED
    if (byte ^ before) & ~(before ^ after) == 0:
        return ByteSource.MIXED
    return ByteSource.CLEARED if byte == 0 else ByteSource.OTHER
