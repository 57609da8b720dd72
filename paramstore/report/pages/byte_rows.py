"""Bytes of a dump with their meaning, as rows of a table: for the byte view of a page.

A run is bytes of one thing and one source within half a row; a note says what begins in a row, and
its value there. Bytes that mean nothing become plain lines. Must not know HTML.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from paramstore.core.format import ERASED
from paramstore.inspect.meaning import meaning_of
from paramstore.layout.plan import Plan, Ring
from paramstore.report.bytes import release_text
from paramstore.report.pages.fields import RecordPart, record_parts
from paramstore.schema.model import Field, Kind
from paramstore.schema.quantity import format_value

__all__ = [
    "ByteRow",
    "HexRun",
    "Note",
    "Thing",
    "byte_rows",
    "label_things",
    "plain_lines",
    "slot_things",
]

ROW, HALF = 16, 8


@dataclass(frozen=True, slots=True)
class Thing:
    """Something that lies in a dump from `first` on: what it is called, its value there, how it
    looks. `width` is the size of an element where there are several, else 0."""

    first: int
    size: int
    key: str
    name: str
    value: str
    look: str
    width: int = 0


@dataclass(frozen=True, slots=True)
class HexRun:
    """Bytes as text; `source` is where bytes of an interrupted write come from, "" elsewhere."""

    key: str
    text: str
    look: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """What begins in a row."""

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


def byte_rows(data: bytes, things: Sequence[Thing],
              sources: Sequence[str] = (),
              gaps: Sequence[tuple[int, int]] = ()) -> tuple[ByteRow, ...]:
    """Return the rows of things that lie one after another in `data`; `sources` has those of the
    first bytes, one each. What lies in `gaps`, (first, past the last), is not known: `--`."""
    start, end = things[0].first, min(len(data), things[-1].first + things[-1].size)
    owners = [t for t in things for _ in range(t.size)]
    known = [True] * len(owners)
    for first, past in gaps:
        for at in range(max(first, start), min(past, end)):
            known[at - start] = False
    rows: list[ByteRow] = []
    for at in range(start, end, ROW):
        past = min(at + ROW, end)
        halves = tuple(
            tuple(_runs(data, owners, sources, known, start, half, min(half + HALF, past)))
            for half in range(at, past, HALF))
        notes = tuple(Note(t.key, t.name, t.value, t.width) for t in things
                      if at <= t.first < past)
        rows.append(ByteRow(at, halves, notes))
    return tuple(_joined(rows))


def _joined(rows: Sequence[ByteRow]) -> Iterator[ByteRow]:
    """Yield the rows with the notes of each beside the rows after it that have none."""
    for at, row in enumerate(rows):
        after = takewhile(lambda r: not r.notes, rows[at + 1:])
        yield replace(row, rows=1 + len(list(after)) if row.notes or at == 0 else 0)


def _runs(data: bytes, owners: Sequence[Thing], sources: Sequence[str], known: Sequence[bool],
          start: int, first: int, end: int) -> Iterator[HexRun]:
    def kind(at: int) -> tuple[Thing, str, bool]:
        source = sources[at - start] if at - start < len(sources) else ""
        return owners[at - start], source, known[at - start]

    begin = first
    for at in range(first + 1, end + 1):
        if at == end or kind(at) != kind(begin):
            thing, source, there = kind(begin)
            text = data[begin:at].hex(" ").upper() if there else " ".join(["--"] * (at - begin))
            yield HexRun(thing.key, text, thing.look, source)
            begin = at


def slot_things(ring: Ring, slot: int, key: str, data: bytes,
                gaps: Sequence[tuple[int, int]] = (), revision: int | None = None
                ) -> tuple[Thing, ...]:
    """Return what lies in a slot, with the values that stand there; none for what `gaps` touch,
    nor for what a record of an earlier `revision` does not hold."""
    start = ring.address(slot)

    def held(part: RecordPart) -> bytes:
        if revision is not None and part.placed is not None and part.placed.since > revision:
            return b""
        first, end = start + part.offset, start + part.offset + part.size
        lacking = any(a < end and b > first for a, b in gaps)
        return b"" if lacking else data[first:end]

    return tuple(
        Thing(start + part.offset, part.size, f"{key}.{part.index}", part.name,
              _value(part, held(part)), part.look,
              _width(part.placed.field) if part.placed else 0)
        for part in record_parts(ring))


def _width(field: Field) -> int:
    several = field.count > 1 and field.kind not in (Kind.TEXT, Kind.BYTES)
    return field.scalar.size if several else 0


def _value(part: RecordPart, data: bytes) -> str:
    if len(data) < part.size:
        return ""
    if part.placed is not None:
        field, size = part.placed.field, part.placed.field.scalar.size
        return format_value(field, [field.scalar.unpack(data[at:at + size])
                                    for at in range(0, len(data), size)])
    if part.name in ("sequence number", "revision"):
        return str(int.from_bytes(data, "little"))
    return ""


def label_things(plan: Plan, copy: int, data: bytes) -> tuple[Thing, ...]:
    """Return what lies in a label copy."""
    things: list[Thing] = []
    at = plan.label_address(copy)
    end = at + plan.label_pages * plan.part.page
    while at < end:
        meaning = meaning_of(plan, at)
        stored = data[at:at + meaning.size]
        things.append(Thing(at, meaning.size, f"l{copy}.{len(things)}", meaning.what,
                            _label_value(meaning.what, stored),
                            "behind" if meaning.what == "behind the label" else "field"))
        at += meaning.size
    return tuple(things)


def _label_value(what: str, data: bytes) -> str:
    match what:
        case "format version":
            return str(int.from_bytes(data, "little"))
        case "release":
            return release_text(int.from_bytes(data, "little"))
        case "store id" | "layout id":
            return f"0x{int.from_bytes(data, 'little'):08X}"
        case "store name":
            return data.rstrip(b"\0").decode("utf-8", "replace")
        case _:
            return ""


def plain_lines(data: bytes, first: int, end: int, digits: int) -> tuple[str, ...]:
    """Return bytes as lines of text, the address first; lines of FF are left out."""
    lines = []
    for at in range(first, min(end, len(data)), ROW):
        row = data[at:min(at + ROW, end)]
        if row.count(ERASED) < len(row):
            lines.append(f"0x{at:0{digits}X}  {row.hex(' ').upper()}")
    return tuple(lines)
