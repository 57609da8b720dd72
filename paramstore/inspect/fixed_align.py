"""Where a fixed layout lies in what a file says, as `align` does for stores.

It has no label and no records: constants and checksums are the evidence, and nothing is moved
unless they are all right where it is moved to, and are so many bits that it is no chance.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import islice
from typing import NamedTuple

from paramstore.core.errors import Finding, Severity
from paramstore.core.format import ERASED
from paramstore.files.forms import Dump, refuse_elsewhere
from paramstore.files.runs import MAX_SPAN, Reading, flatten
from paramstore.inspect.transformations import transformations
from paramstore.schema.bits import place_width
from paramstore.schema.fixed.coding import Coding
from paramstore.schema.fixed.contents import read_image
from paramstore.schema.fixed.found import Copy, FixedContents, FixedGroupContents, GroupPresence
from paramstore.schema.fixed.model import FixedLayout, PlacedParameter
from paramstore.schema.from_raw import FIRST_DATE
from paramstore.schema.model import Kind

__all__ = ["ENOUGH_BITS", "FixedAlignment", "align_fixed", "evidence_bits", "lies_somewhere"]

ENOUGH_BITS = 24
"""Bits of constants and checksums that must be right, so that it is no chance."""
_MOST_PLACES = 16
"""Places of the longest constant that are tried."""


class FixedAlignment(NamedTuple):
    """The bytes from address 0 of the layout on, all that the file has; what was done for it."""

    dump: Dump
    findings: tuple[Finding, ...] = ()


def align_fixed(reading: Reading, layout: FixedLayout,
                offset: int | None = None) -> FixedAlignment:
    """Return how a file lies; `offset` is where a person says that the layout begins in it.

    Without an offset that is address 0, or where the file begins if it begins beyond the layout.
    FindingsError (PS626) for one at which the file has nothing.
    """
    beyond = reading.addressed and reading.start >= layout.size
    base = offset if offset is not None else reading.start if beyond else 0
    refuse_elsewhere(reading, layout.size, base)
    dump = Dump(*flatten(reading.runs, base, min(reading.end, base + MAX_SPAN)))
    if offset is not None:
        return FixedAlignment(dump)
    findings = (Finding(
        "PS651", f"the layout is taken to begin at 0x{base:X} of the file", reading.source,
        help="say otherwise with --input-offset", severity=Severity.WARNING),) if beyond else ()
    if dump.data.count(ERASED) == len(dump.data):
        return FixedAlignment(dump, findings)
    proof = _proof(layout)
    shifts = None
    for checksums in (True, False):  # where nothing is all right, a checksum may be the damage
        if _bits(proof, dump, checksums) >= ENOUGH_BITS:
            break
        shifts = _shifts(layout, dump.data) if shifts is None else shifts
        others = transformations(dump, shifts, reading.source, len(dump.data) >= layout.size)
        bits, found = max(((_bits(proof, other, checksums), FixedAlignment(other, (said,)))
                           for other, said in others), key=lambda pair: pair[0])
        if bits >= ENOUGH_BITS:
            return found._replace(findings=(*findings, *found.findings))
    return FixedAlignment(dump, findings)


def lies_somewhere(layout: FixedLayout, data: bytes) -> bool:
    """Return whether bytes hold the layout, at their beginning or moved."""
    proof = _proof(layout)
    return any(_bits(proof, Dump(data[shift:]), checksums=False) >= ENOUGH_BITS
               for shift in (0, *_shifts(layout, data)) if shift >= 0)


def evidence_bits(contents: FixedContents, *, checksums: bool = True) -> int:
    """Return how many bits of constants, and of checksums if they are to count, are right; 0 if
    anything of them that is in the image is wrong."""
    bits = 0
    for found in contents.groups:
        if found.presence is not GroupPresence.THERE or not _counts(found, contents):
            continue
        for item in found.group.items:
            if item.always is not None and item.name in found.read:
                if found.values.get(item.name) != item.always:
                    return 0
                bits += sum(map(place_width, item.places))
        for result in found.checks if checksums else ():
            if not result.right:
                return 0
            bits += place_width(result.check.place)
    return bits


def _counts(found: FixedGroupContents, contents: FixedContents) -> bool:
    """Return whether a block is evidence: of copies the one that counts, or all if none does."""
    if found.copy in (None, Copy.USED):
        return True
    blocks = contents.blocks(found.group.declared)
    return found.copy is not Copy.ERASED and all(b.copy is not Copy.USED for b in blocks)


def _proof(layout: FixedLayout) -> FixedLayout:
    """Return a layout of what is evidence only: the rest need not be read in each place."""
    return replace(layout, groups=tuple(
        replace(group, items=tuple(i for i in group.items
                                   if i.always is not None or i.name == group.copy_number))
        for group in layout.groups
        if group.checks or any(i.always is not None for i in group.items)))


def _bits(proof: FixedLayout, dump: Dump, checksums: bool) -> int:
    return evidence_bits(read_image(proof, dump.data, dump.gaps), checksums=checksums)


# ---- Where it may begin -------------------------------------------------------------------------


def _shifts(layout: FixedLayout, data: bytes) -> list[int]:
    """Return how far the layout may be moved: by each place of its longest constant, or by as much
    as the file is too long or too short."""
    at, pattern = _longest_constant(layout)
    ring = data + data[:max(len(pattern) - 1, 0)]  # it may go round the end itself
    found = [place - at for place in islice(_places(ring, pattern), _MOST_PLACES)]
    return [shift for shift in dict.fromkeys((*found, len(data) - layout.size)) if shift]


def _places(data: bytes, pattern: bytes) -> Iterator[int]:
    at = data.find(pattern) if pattern else -1
    while at >= 0:
        yield at
        at = data.find(pattern, at + 1)


def _longest_constant(layout: FixedLayout) -> tuple[int, bytes]:
    """Return the address and the bytes of the longest run of whole bytes that constants fill."""
    known: dict[int, tuple[int, int]] = {}  # address: bits that are known, their value
    for group in layout.groups:
        for item in group.items if group.condition is None else ():
            for address, mask, value in _constant_bits(item):
                before = known.get(address, (0, 0))
                known[address] = before[0] | mask, before[1] | value
    best, run, first = (0, b""), b"", 0
    for address in sorted(a for a, (mask, _) in known.items() if mask == 0xFF):
        if address != first + len(run):
            run, first = b"", address
        run += bytes([known[address][1]])
        if len(run) > len(best[1]):
            best = first, run
    return best


def _constant_bits(item: PlacedParameter) -> Iterator[tuple[int, int, int]]:
    """Yield (address, mask, bits) of what a constant fills; only of numbers and plain texts."""
    raws = [r for r in item.always or () if isinstance(r, int)]
    if item.field.kind is Kind.TEXT:
        raws = raws[:raws.index(0)] if 0 in raws else raws
    if item.coding is not Coding.PLAIN or item.since != FIRST_DATE:
        return
    if item.alphabet is not None or any(r > 0x7F for r in raws if item.field.kind is Kind.TEXT):
        return
    for place, raw in zip(item.places, raws, strict=False):
        for bits in reversed(place):
            mask = (1 << bits.width) - 1
            yield bits.address, mask << bits.low, (raw & mask) << bits.low
            raw >>= bits.width
