"""What every form deals in: runs of bytes at addresses, and what a file turned out to say.

Addresses are those of the file, wherever the EEPROM begins in them. Must not know any form.

A 16-bit word `534C` stands for 53 4C where a dump shows bytes in their order, and for 4C 53 where
it shows the number that a little-endian processor reads. Nothing in the words tells the two apart;
an ASCII column does, and so do bytes that are known to be there (see `RecognisesBytes`).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from paramstore.core.errors import Finding, FindingsError, SourceText, Span
from paramstore.core.format import ERASED, LABEL_MAGIC

__all__ = [
    "MAX_FINDINGS",
    "MAX_SPAN",
    "READ_DEFAULTS",
    "Collector",
    "Order",
    "ReadOptions",
    "Reading",
    "RecognisesBytes",
    "Run",
    "WriteOptions",
    "filled",
    "flatten",
    "recognised",
    "swapped",
]

MAX_FINDINGS = 20
"""A file of another kind would be wrong in every line."""

MAX_SPAN = 1 << 22
"""Bytes from the first to past the last address of a file that is taken as one dump. The largest
part has 128 KiB; the rest is room for an image inside that of a controller."""


class Run(NamedTuple):
    """Bytes at an address; `span` is where they stand in the file, None if it has no lines."""

    address: int
    data: bytes
    span: Span | None = None

    @property
    def end(self) -> int:
        """The address past the last byte."""
        return self.address + len(self.data)


class WriteOptions(NamedTuple):
    """How an image is written. `offset` is the address of its first byte in the file, `ranges`
    the (first, past the last) addresses that are written (None: all), `fill` what stands between
    them where a form cannot leave it out, `family` that of UF2, `name` that of a C array."""

    offset: int = 0
    ranges: tuple[tuple[int, int], ...] | None = None
    fill: int = ERASED
    family: int | None = None
    name: str = "eeprom_image"


class Reading(NamedTuple):
    """What a file says: disjoint runs in the order of the file, at least one byte in all.

    `title` says for people what the file was read as. `addressed`: whether the addresses come
    from the file; without them there is one run from 0. `findings` are warnings. `word_bytes` are
    those of the words in which it is written, whose order may have been in doubt; 1: bytes.
    """

    form: str
    title: str
    source: SourceText
    runs: tuple[Run, ...]
    addressed: bool = True
    findings: tuple[Finding, ...] = ()
    word_bytes: int = 1

    @property
    def start(self) -> int:
        """The lowest address."""
        return min(r.address for r in self.runs)

    @property
    def end(self) -> int:
        """The address past the highest byte."""
        return max(r.end for r in self.runs)


@dataclass(slots=True)
class Collector:
    """Collects the runs of a file and every mistake in it; refuses an address given twice."""

    source: SourceText
    findings: list[Finding] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)
    _starts: list[int] = field(default_factory=list)  # of the stretches covered so far, sorted
    _ends: list[int] = field(default_factory=list)

    def fail(self, code: str, message: str, span: Span | None = None, label: str = "",
             help: str = "read the part again, or copy the file again") -> None:
        """Note a mistake; raise all of them when there are many."""
        self.findings.append(Finding(code, message, self.source, span, label, help=help))
        if len(self.findings) >= MAX_FINDINGS:
            raise FindingsError(self.findings)

    def add_run(self, address: int, data: bytes, span: Span | None = None) -> None:
        """Take a run, unless a byte of it was given before (PS625)."""
        if not data:
            return
        run = Run(address, data, span)
        at = self._cover(run)
        if at is None:
            self.runs.append(run)
        else:
            self.fail("PS625", f"address 0x{at:X} was given before", span,
                      help="the file holds more than one dump, or was edited by hand")

    def _cover(self, run: Run) -> int | None:
        """Mark a run as given; return the first address of it that was given already."""
        starts, ends = self._starts, self._ends
        after = bisect_right(starts, run.address)
        if after and ends[after - 1] > run.address:
            return run.address
        if after < len(starts) and starts[after] < run.end:
            return starts[after]
        if after and ends[after - 1] == run.address:
            ends[after - 1] = run.end
        else:
            starts.insert(after, run.address)
            ends.insert(after, run.end)
        return None

    def finish(self, form: str, title: str, *, addressed: bool = True,
               warnings: Iterable[Finding] = (), word_bytes: int = 1) -> Reading:
        """Return what was read. FindingsError with all mistakes, or if nothing was (PS620)."""
        if not self.findings and not self.runs:
            self.fail("PS620", f"`{self.source.path}` holds no data", Span(1, 1, 1, 1),
                      help="read the part again")
        if not self.findings:
            start, end = min(r.address for r in self.runs), max(r.end for r in self.runs)
            if end - start > MAX_SPAN:
                self.fail("PS626", f"the addresses go from 0x{start:X} to 0x{end - 1:X}: that is "
                          "no dump of one EEPROM", help="cut out the part that is the EEPROM")
        if self.findings:
            raise FindingsError(self.findings)
        return Reading(form, title, self.source, tuple(self.runs), addressed, tuple(warnings),
                       word_bytes)


def flatten(runs: Iterable[Run], first: int, end: int) -> tuple[bytes, tuple[tuple[int, int], ...]]:
    """Return the bytes from `first` to before `end`, and the gaps among them.

    A gap is (first, past the last), counted from `first`, and reads as FF.
    """
    data, gaps, at = bytearray([ERASED]) * (end - first), [], first
    for run in sorted(runs, key=lambda r: r.address):
        low, high = max(run.address, first), min(run.end, end)
        if low >= high:
            continue
        data[low - first:high - first] = run.data[low - run.address:high - run.address]
        if low > at:
            gaps.append((at - first, low - first))
        at = high
    if at < end:
        gaps.append((at - first, end - first))
    return bytes(data), tuple(gaps)


def filled(data: bytes, gaps: Iterable[tuple[int, int]], fill: int) -> bytes:
    """Return `data` with the byte `fill` throughout its gaps."""
    whole = bytearray(data)
    for first, past in gaps:
        whole[first:past] = bytes([fill]) * (past - first)
    return bytes(whole)


RecognisesBytes = Callable[[bytes], bool]
"""Whether bytes hold something that is known to be on the EEPROM."""


class Order(StrEnum):
    """Which byte of a word comes first on the EEPROM: the one written left, or the one right."""

    BIG = "big"
    LITTLE = "little"

    @property
    def words(self) -> str:
        """The order for people."""
        return "high byte first" if self is Order.BIG else "low byte first"


def _holds_label(data: bytes) -> bool:
    return LABEL_MAGIC in data


class ReadOptions(NamedTuple):
    """How a text of words is read: in the order `order`. If that is None and nothing in the text
    tells the order, it is the one in which `recognises` holds of the bytes (default: they have the
    magic of a label)."""

    order: Order | None = None
    recognises: RecognisesBytes = _holds_label


READ_DEFAULTS = ReadOptions()


def swapped(data: bytes, width: int) -> bytes:
    """Return `data` with the bytes of each word of `width` bytes in the other order."""
    whole = len(data) - len(data) % width
    turned = bytearray(data)
    for byte in range(width):
        turned[byte:whole:width] = data[width - 1 - byte:whole:width]
    return bytes(turned)


def recognised(data: bytes, width: int, orders: Iterable[Order],
               recognises: RecognisesBytes) -> tuple[Order, ...]:
    """Return the orders among `orders` in which `data`, given high byte first, is recognised."""
    return tuple(
        order for order in orders
        if recognises(data if order is Order.BIG else swapped(data, width))
    )
