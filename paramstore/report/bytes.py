"""A dump byte by byte: an annotated hex dump, one line or more for each thing in it.

Must not decide what bytes mean (see `decode.meaning`), nor what became of a slot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby

from paramstore.core.format import ERASED, split_release
from paramstore.core.text import printable
from paramstore.image.contents import Gaps, gaps_in
from paramstore.inspect.meaning import Area, areas, label_parts, slot_parts
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.store import StoreExamination
from paramstore.layout.plan import PlacedField
from paramstore.report.dump import KIND_STYLES, SOURCE_STYLES
from paramstore.report.findings import Style, no_style
from paramstore.schema.model import Field, Kind
from paramstore.schema.quantity import format_value

__all__ = ["HEX_ROW", "bytes_text", "hex_line", "number_text", "release_text",
           "value_text"]

HEX_ROW = 16
"""Bytes on a line."""
_HEX_WIDTH = 3 * HEX_ROW - 1
_LONG = 8
"""Bytes in a row, erased or not in the dump, that are only named, not shown one by one."""

Part = tuple[int, int, str, PlacedField | None]
"""A thing in an area: its address, its size, its name, and the field that it holds."""


def bytes_text(found: StoreExamination, first: int = 0, end: int | None = None,
               style: Style = no_style) -> str:
    """Return a hex dump of `first` to before `end`: each thing with what it is and its value."""
    view = _View(found, style)
    size = min(len(found.contents.image), found.plan.part.capacity)
    end = size if end is None else min(end, size)
    blocks = []
    erased: list[Area] = []  # slots of one ring in a row, told together
    for area in areas(found.plan):
        if area.end <= first or area.first >= end:
            continue
        if erased and not (view.erased(area) and area.ring is erased[0].ring):
            blocks.append(view.erased_slots(erased, first, end))
            erased = []
        if area.ring is not None and view.erased(area):
            erased.append(area)
        else:
            blocks.append([view.heading(area), *view.rows(area, first, end)])
    if erased:
        blocks.append(view.erased_slots(erased, first, end))
    return "\n".join("\n".join(block) + "\n" for block in blocks)


def number_text(name: str, whole: bytes) -> str:
    """Return a number of a label or of a record's header in words; "" for anything else."""
    number = int.from_bytes(whole, "little")
    if name in ("sequence number", "revision"):
        return f"{name} {number}"
    if name == "release":
        return f"release {release_text(number)}"
    return ""


def release_text(number: int) -> str:
    """Return the release that a label has as a number, with its series unless that is the first."""
    release, series = split_release(number)
    return f"{release}, series {series}" if series else f"{release}"


def value_text(field: Field, data: bytes) -> str:
    """Return the value of a field that its bytes hold."""
    size = field.scalar.size
    raws = tuple(field.scalar.unpack(data[at:at + size]) for at in range(0, len(data), size))
    return printable(format_value(field, raws))


def hex_line(data: bytes, first: int, styles: Sequence[str], note: str, style: Style,
             digits: int = 4, gaps: Gaps = ()) -> str:
    """Return one line of a hex dump, at most 16 bytes from `first` on: as many as there are
    `styles`, the colour of each ("" for none). `digits` are those of the address. What lies in
    `gaps` was not read and stands as `--`."""
    pieces, at = [], first
    gaps = gaps_in(gaps, first, first + len(styles))
    for part, run in groupby(styles):
        past = at + len(list(run))
        text = " ".join("--" if gaps_in(gaps, i, i + 1) else f"{data[i]:02X}"
                        for i in range(at, past))
        pieces.append(style(text, part) if part else text)
        at = past
    blank = " " * (_HEX_WIDTH - 3 * len(styles) + 1)
    return f"{first:0{digits}X}  {' '.join(pieces)}" + (f"{blank}  {note}" if note else "")


class _View:
    """Shows areas of one dump."""

    def __init__(self, found: StoreExamination, style: Style) -> None:
        self._found, self._style = found, style
        self._data = found.contents.image
        self._digits = max(4, len(f"{found.plan.part.capacity - 1:X}"))
        self._label = tuple(label_parts(found.plan))

    # ---- Areas -------------------------------------------------------------------------------

    def erased(self, area: Area) -> bool:
        """Whether an area reads FF throughout, and nothing is wrong with that."""
        verdict = self._verdict(area)
        return (verdict is None or verdict.kind is SlotKind.ERASED) and not self._lacks(
            area.first, area.end) and (
            self._data.count(ERASED, area.first, area.end) == area.end - area.first)

    def erased_slots(self, slots: Sequence[Area], first: int, end: int) -> list[str]:
        """Return the lines of slots in a row that hold nothing yet."""
        name = slots[0].what if len(slots) == 1 else (
            f"{slots[0].what.replace('slot', 'slots')} to {slots[-1].slot}")
        return [self._style(f"{name}: erased", "fact"),
                self._filled(max(first, slots[0].first), min(end, slots[-1].end))]

    def heading(self, area: Area) -> str:
        """Return the name of an area; of a slot with what it is."""
        verdict = self._verdict(area)
        if verdict is None:
            return self._style(area.what, "fact")
        kind = self._style(verdict.kind.value, KIND_STYLES[verdict.kind])
        record = verdict.slot.record
        more = verdict.reason or (f"record {record.sequence}" if record.valid else "")
        return f"{self._style(area.what + ':', 'fact')} {kind}{', ' if more else ''}{more}"

    def rows(self, area: Area, first: int, end: int) -> Iterator[str]:
        """Yield the lines of an area, as far as it lies between two addresses."""
        styles = self._styles(area)
        for part in self._parts(area):
            low, high = max(part[0], first), min(part[0] + part[1], end)
            for start, past, there in self._pieces(low, high):
                if not there:
                    yield self._filled(start, past, part[2], "--")
                    continue
                if past - start >= _LONG and self._data.count(ERASED, start, past) == past - start:
                    yield self._filled(start, past, part[2] + self._source(area, start, past))
                    continue
                for row in range(start - (start - part[0]) % HEX_ROW, past, HEX_ROW):
                    low, high = max(row, start), min(row + HEX_ROW, past)
                    note = self._note(part, row, low == start) + self._source(area, low, high)
                    yield hex_line(self._data, low, styles[low - area.first:high - area.first],
                                   note, self._style, self._digits)

    def _lacks(self, first: int, end: int) -> bool:
        """Whether the dump does not have all bytes from `first` to before `end`."""
        return bool(gaps_in(self._found.dump.gaps, first, end))

    def _pieces(self, first: int, end: int) -> Iterator[tuple[int, int, bool]]:
        """Yield what the dump has of a stretch and what it lacks: (first, end, there)."""
        at = first
        for low, high in gaps_in(self._found.dump.gaps, first, end):
            if low > at:
                yield at, low, True
            yield low, high, False
            at = high
        if at < end:
            yield at, end, True

    def _verdict(self, area: Area) -> SlotVerdict | None:
        if area.ring is None or area.slot is None:
            return None
        verdicts = self._found.slots.get(area.ring.group.name)
        return verdicts[area.slot] if verdicts else None

    def _revision(self, area: Area) -> int | None:
        """Return the revision of a whole record that is not of today's, else None."""
        verdict = self._verdict(area)
        return verdict.revision if verdict else None

    def _parts(self, area: Area) -> Iterator[Part]:
        """Yield the things in an area; of free pages what is not erased, and the rest."""
        if area.copy is not None:
            yield from ((area.first + o, size, name, None) for o, size, name in self._label)
        elif area.ring is not None:
            yield from ((area.first + o, size, name, placed)
                        for o, size, name, placed in slot_parts(area.ring, self._revision(area)))
        else:
            at = area.first
            for first, end in self._found.unallocated:
                if area.first <= first < area.end:
                    yield at, first - at, "", None
                    yield first, end - first, "not erased", None
                    at = end
            yield at, area.end - at, "", None

    # ---- Lines -------------------------------------------------------------------------------

    def _filled(self, first: int, end: int, note: str = "", byte: str = "FF") -> str:
        short = byte == "--" and end - first < _LONG
        whole = "all FF, to" if byte == "FF" else f"{byte} to"
        text = " ".join([byte] * (end - first)) if short else f"{whole} {self._address(end - 1)}"
        blank = " " * (_HEX_WIDTH - len(text))
        return f"{self._address(first)}  {self._style(text, 'place')}" + (
            f"{blank}  {note}" if note else "")

    def _address(self, at: int) -> str:
        return f"{at:0{self._digits}X}"

    def _note(self, part: Part, row: int, leads: bool) -> str:
        """Return what a thing is, and its value; of a long array the elements of each row. `leads`:
        this is the first row of the thing that is shown."""
        at, size, name, placed = part
        whole = b"" if self._lacks(at, at + size) else self._data[at:at + size]
        if placed is not None and len(whole) == size:
            field, width = placed.field, placed.field.scalar.size
            if field.count * width > HEX_ROW and field.kind not in (Kind.TEXT, Kind.BYTES):
                low, high = (row - at) // width, min(row - at + HEX_ROW, size) // width
                shown = replace(field, count=high - low)
                return f"{name}[{low}] to [{high - 1}]  " + value_text(
                    shown, whole[low * width:high * width])
            return f"{name}  {value_text(field, whole)}" if leads else ""
        if len(whole) == size and (number := number_text(name, whole)):
            return number
        if name == "store name":
            return f"{name} {printable(whole.rstrip(bytes(1)).decode('utf-8', 'replace'))}"
        return name if leads else ""

    def _source(self, area: Area, first: int, end: int) -> str:
        """Return in brackets where bytes of a torn slot come from, and which bits are changed."""
        verdict = self._verdict(area)
        low, high = first - area.first, end - area.first
        if area.copy is not None:
            changed = [f"{self._address(area.first + at)} changed"
                       for at in self._found.damaged_label_bytes(area.copy) if low <= at < high]
            return f"  ({', '.join(changed)})" if changed else ""
        if verdict is None:
            return ""
        said: list[str] = []
        if verdict.tear is not None:
            said = [origin.value + "?" * (not sure) for origin, sure in zip(
                verdict.tear.sources[low:high], verdict.tear.sure[low:high], strict=True)]
        elif verdict.kind is SlotKind.FLIPPED and verdict.repair is not None:
            said = [f"bit {b.bit} of {self._address(area.first + b.offset)} changed"
                    for b in verdict.repair.bits if low <= b.offset < high]
        return f"  ({', '.join(dict.fromkeys(said))})" if said else ""

    # ---- Colours -----------------------------------------------------------------------------

    def _styles(self, area: Area) -> list[str]:
        """Return the colour of each byte of an area, "" for none."""
        size = area.end - area.first
        verdict = self._verdict(area)
        if area.copy is not None:
            damaged = self._found.damaged_label_bytes(area.copy)
            return ["error" if at in damaged else "also" for at in range(size)]
        if area.ring is None or verdict is None:
            return [""] * size
        if verdict.tear is not None:
            return [SOURCE_STYLES[o] for o in verdict.tear.sources] + [""] * (
                size - len(verdict.tear.sources))
        if not verdict.kind.sound and verdict.kind is not SlotKind.FLIPPED:
            return ["error"] * size
        styles: list[str] = []
        newest = self._found.contents.group(area.ring.group.name).newest
        compared = newest.address if newest and verdict.kind is SlotKind.OLDER else area.first
        for offset, length, _, placed in slot_parts(area.ring, verdict.revision):
            if placed is None:
                styles += ["place"] * length
                continue
            width = placed.field.scalar.size
            for at in range(offset, offset + length, width):
                changed = (self._data[area.first + at:area.first + at + width]
                           != self._data[compared + at:compared + at + width])
                styles += ["also" if changed else ""] * width
        if verdict.kind is SlotKind.FLIPPED and verdict.repair is not None:
            for bit in verdict.repair.bits:
                styles[bit.offset] = "error"
        return styles
