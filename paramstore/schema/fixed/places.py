"""Addresses and bits as a schema writes them: `0x3A`, `58.7`, `58.7-4`, and ranges of bytes."""

from __future__ import annotations

import re
from collections.abc import Sequence

from paramstore.core.errors import Span
from paramstore.core.words import plural
from paramstore.located.validator import CheckedTable
from paramstore.schema.bits import Bits, Place

__all__ = ["bits_of", "read_bits", "read_ranges", "refuse_outside"]

_NUMBER = r"0[xX][0-9A-Fa-f]{1,8}|[0-9]{1,8}"
_BITS = re.compile(rf"\s*({_NUMBER})(?:\.([0-9])(?:-([0-9]))?)?\s*")
_RANGE = re.compile(rf"\s*({_NUMBER})(?:\s*-\s*({_NUMBER}))?\s*")


def read_bits(table: CheckedTable, base: int, size: int) -> Place | None:
    """Return the place that `bits` of a table names, addresses counted from `base`.

    None, with findings, if it is no place, or ends outside of an image of `size` bytes.
    """
    pieces: list[Bits] = []
    before = len(table.validator.findings)
    if not table.get("bits"):
        table.add("PS352", f"{table.what} has no bits", table.span("bits"),
                  help='name them, as in `bits = ["58.7-4", "56"]`')
    for index, text in enumerate(table.get("bits")):
        span = table.span("bits", index)
        found = _BITS.fullmatch(text)
        high, low = (found[2] or "7", found[3] or found[2] or "0") if found else ("", "")
        if found is None or not "0" <= low <= high <= "7":
            table.add(
                "PS352", f"`{text}` names no bits of a byte", span,
                notes=("bit 7 is the highest of a byte, bit 0 the lowest",),
                help='write ADDRESS, ADDRESS.BIT or ADDRESS.HIGH-LOW, as in "0x3A.7-4"')
            continue
        address = base + _number(found[1])
        pieces.append(Bits(address, int(low), int(high) - int(low) + 1))
        if address >= size:
            refuse_outside(table, f"`{text}`", address, size, span)
    return tuple(pieces) if len(table.validator.findings) == before else None


def read_ranges(table: CheckedTable, base: int, size: int) -> tuple[int, ...] | None:
    """Return the addresses that `over` of a check names, in its order; None with findings."""
    addresses: list[int] = []
    seen: set[int] = set()
    before = len(table.validator.findings)
    if not table.get("over"):
        table.add("PS357", f"{table.what} is over no bytes", table.span("over"),
                  help='give the bytes, as in `over = ["0-13"]`')
    for index, text in enumerate(table.get("over")):
        span = table.span("over", index)
        found = _RANGE.fullmatch(text)
        first, last = (_number(found[1]), _number(found[2] or found[1])) if found else (1, 0)
        if last < first:
            message = f"the range `{text}` runs backwards" if found else (
                f"`{text}` is no range of bytes")
            table.add("PS357", message, span, help="write the first and the last address, as "
                      f'in "{last}-{first}"' if found else 'write FIRST-LAST, as in "0-13"')
        elif base + last >= size:
            refuse_outside(table, f"the range `{text}`", base + last, size, span)
        elif not seen.isdisjoint(range(base + first, base + last + 1)):
            table.add("PS357", f"the range `{text}` has bytes that are in it already", span,
                      help="name every byte once")
        else:
            addresses += range(base + first, base + last + 1)
            seen.update(range(base + first, base + last + 1))
    return tuple(addresses) if len(table.validator.findings) == before else None


def refuse_outside(table: CheckedTable, what: str, last: int, size: int, span: Span) -> None:
    """Add the finding for something whose last byte lies behind the image."""
    table.add(
        "PS350", f"{what} ends at address 0x{last:X}, outside of the image", span,
        notes=(f"the image has {plural(size, 'byte')}, the last one at 0x{size - 1:X}",),
        help="give a smaller address, or a larger `size` of the layout")


def bits_of(place: Place) -> Sequence[tuple[int, int]]:
    """Return (address, bit) of every bit of a place, the highest of the number first."""
    return [(bits.address, bits.low + n) for bits in place for n in reversed(range(bits.width))]


def _number(text: str) -> int:
    return int(text, 16 if text[:2] in ("0x", "0X") else 10)
