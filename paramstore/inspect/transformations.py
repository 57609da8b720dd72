"""How else a dump may lie: its words the other way round, moved, turned round its end.

Says what each would be; which one it is, if any, is for those who know what a dump should hold.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from paramstore.core.errors import Finding, Severity, SourceText
from paramstore.core.format import ERASED
from paramstore.core.words import plural
from paramstore.files.forms import Dump
from paramstore.files.runs import swapped
from paramstore.image.contents import Gaps, gaps_in

__all__ = ["transformations", "without"]


def transformations(dump: Dump, shifts: Iterable[int], source: SourceText,
               turns: bool = True) -> Iterator[tuple[Dump, Finding]]:
    """Yield what a dump may be if it is not what it seems, the simplest first, with the finding
    that says so. `shifts` are the bytes that stand too many in front (negative: too few), `turns`
    says whether a read may have gone on at address 0 behind the last byte."""
    def said(code: str, message: str, help: str) -> Finding:
        return Finding(code, message, source, help=help, severity=Severity.WARNING)

    for width in (2, 4):
        yield _swapped(dump, width), said(
            "PS654", f"the bytes of each {8 * width}-bit word are the wrong way round: they are "
            "read the other way", "write the dump byte by byte")
    for shift in shifts:
        count = plural(abs(shift), "byte")
        what = (f"{count} too many before the first one of the part" if shift > 0
                else f"{count} missing at the beginning of the part")
        yield _moved(dump, shift), said("PS652", f"the dump is shifted: {what}",
                                        "read the whole part again, from address 0")
        if turns:
            yield _turned(dump, shift), said(
                "PS652", f"the dump begins at address 0x{-shift % len(dump.data):X} of the part "
                "and goes round its end", "set the address before reading a whole part")


def _swapped(dump: Dump, width: int) -> Dump:
    """A word of which a byte was not read was not read."""
    size = len(dump.data)
    gaps = _joined((first - first % width, min(end + -end % width, size))
                   for first, end in dump.gaps)
    data = bytearray(swapped(dump.data, width))
    for first, end in gaps:
        data[first:end] = bytes([ERASED]) * (end - first)
    return Dump(bytes(data), gaps)


def _moved(dump: Dump, shift: int) -> Dump:
    gaps = tuple((max(first - shift, 0), end - shift) for first, end in dump.gaps if end > shift)
    if shift > 0:
        return Dump(dump.data[shift:], gaps)
    return Dump(bytes([ERASED]) * -shift + dump.data, _joined(((0, -shift), *gaps)))


def _turned(dump: Dump, shift: int) -> Dump:
    size = len(dump.data)
    at = shift % size
    halves = (gaps_in(dump.gaps, at, size), at), (gaps_in(dump.gaps, 0, at), at - size)
    return Dump(dump.data[at:] + dump.data[:at], _joined(
        (first - by, end - by) for gaps, by in halves for first, end in gaps))


def without(dump: Dump, spans: Iterable[tuple[int, int]]) -> Dump:
    """Return the dump as if `spans`, (first, past the last), had not been read."""
    gaps = _joined(sorted((*dump.gaps, *spans)))
    data = bytearray(dump.data)
    for first, end in gaps:
        data[first:end] = bytes([ERASED]) * (end - first)
    return Dump(bytes(data), gaps)


def _joined(gaps: Iterable[tuple[int, int]]) -> Gaps:
    joined: list[tuple[int, int]] = []
    for first, end in gaps:
        if joined and first <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(end, joined[-1][1])
        else:
            joined.append((first, end))
    return tuple(joined)
