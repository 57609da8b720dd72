"""Bytes of a dump with their meaning, as rows of a table: for the byte view of a page.

A hex run is bytes of one thing and one source within half a row; a note says what begins in a row,
and its value there. Bytes that mean nothing become plain lines. Must not know HTML.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, takewhile

from paramstore.core.format import ERASED
from paramstore.image.contents import gaps_in
from paramstore.inspect.regions import ByteRun, Places, Region, ThingKind
from paramstore.report.things import thing_text

__all__ = ["ByteRow", "HexRun", "Note", "byte_rows", "looks_of", "plain_lines"]

ROW, HALF = 16, 8
_VALUES = (ThingKind.FIELD, ThingKind.CHECK)


@dataclass(frozen=True, slots=True)
class HexRun:
    """Bytes as text; `source` is where bytes of an interrupted write come from, "" elsewhere."""

    key: str
    text: str
    look: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """What begins in a row. `width` is the size of an element where there are several, else 0."""

    key: str
    name: str
    value: str
    width: int = 0


@dataclass(frozen=True, slots=True)
class ByteRow:
    """One row: up to 16 bytes in two halves, and what begins there. `rows` is how many rows those
    notes stand beside: this one and those in which nothing begins; 0 in these."""

    address: int
    halves: tuple[tuple[HexRun, ...], ...]
    notes: tuple[Note, ...]
    rows: int = 1


def byte_rows(places: Places, region: Region) -> tuple[ByteRow, ...]:
    """Return the rows of a region, as far as the dump goes; what it lacks stands as `--`."""
    data = places.data or b""
    end = min(len(data), region.end)
    sources = _sources(region)
    missing = {at for first, past in gaps_in(places.gaps, region.first, region.end)
               for at in range(first, past)}
    kinds: list[tuple[str, str, str, bool]] = []  # of each byte: key, look, source, is it there
    notes: list[tuple[int, Note]] = []
    for run, look in zip(region.runs, looks_of(region.runs), strict=True):
        key = " ".join(thing.key for thing in run.things) or f"n{run.first}"
        name = "; ".join(thing.title for thing in run.things) or run.words
        value = "; ".join(filter(None, map(thing_text, run.things)))
        notes.append((run.first, Note(key, name, value, run.width)))
        for at in range(run.first, run.end):
            source = sources[at - region.first] if at - region.first < len(sources) else ""
            kinds.append((key, look, source, at not in missing))
    rows = []
    for at in range(region.first, end, ROW):
        past = min(at + ROW, end)
        rows.append(ByteRow(at, tuple(
            tuple(_runs(data, kinds, region.first, half, min(half + HALF, past)))
            for half in range(at, past, HALF)),
            tuple(note for first, note in notes if at <= first < past)))
    return tuple(_joined(rows))


def looks_of(runs: Sequence[ByteRun]) -> Iterator[str]:
    """Yield how each run looks, as a class of the style sheet; values that follow one another look
    different."""
    number = 0
    for run in runs:
        kind = run.things[0].kind if run.things else ThingKind.ROOM
        number += kind in _VALUES
        yield kind.value if kind not in _VALUES else "field" if number % 2 else "field even"


def _sources(region: Region) -> list[str]:
    """Return the sources of the first bytes of a region: of a torn write, or changed."""
    if region.verdict is not None and region.verdict.tear is not None:
        return [source.value for source in region.verdict.tear.sources]
    changed = {byte.offset for byte in region.changed}
    return ["changed" if at in changed else "" for at in range(max(changed, default=-1) + 1)]


def _joined(rows: Sequence[ByteRow]) -> Iterator[ByteRow]:
    """Yield the rows with the notes of each beside the rows after it that have none."""
    for at, row in enumerate(rows):
        after = takewhile(lambda r: not r.notes, rows[at + 1:])
        yield replace(row, rows=1 + len(list(after)) if row.notes or at == 0 else 0)


def _runs(data: bytes, kinds: Sequence[tuple[str, str, str, bool]], start: int, first: int,
          end: int) -> Iterator[HexRun]:
    for (key, look, source, there), run in groupby(
            range(first, end), key=lambda at: kinds[at - start]):
        here = list(run)
        text = data[here[0]:here[-1] + 1].hex(" ").upper() if there else (
            " ".join(["--"] * len(here)))
        yield HexRun(key, text, look, source)


def plain_lines(data: bytes, first: int, end: int, digits: int) -> tuple[str, ...]:
    """Return bytes as lines of text, the address first; lines of FF are left out."""
    lines = []
    for at in range(first, min(end, len(data)), ROW):
        row = data[at:min(at + ROW, end)]
        if row.count(ERASED) < len(row):
            lines.append(f"0x{at:0{digits}X}  {row.hex(' ').upper()}")
    return tuple(lines)
