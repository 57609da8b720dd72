"""A dump byte by byte: an annotated hex dump, one line or more for each thing in it; and as data.

Must not decide what bytes mean (see `inspect.regions`), nor what became of a slot.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby

from paramstore.core.format import ERASED
from paramstore.core.text import JsonObject
from paramstore.image.contents import gaps_in
from paramstore.inspect.examination import Examination
from paramstore.inspect.examine import places_of
from paramstore.inspect.regions import ByteRun, Places, Region, RegionKind, ThingKind, ThingState
from paramstore.inspect.slots import SlotKind
from paramstore.report.dump import KIND_STYLES, SOURCE_STYLES
from paramstore.report.findings import Style, no_style
from paramstore.report.things import thing_text, thing_value

__all__ = ["bytes_data", "bytes_text"]

_ROW = 16
"""Bytes on a line."""
_HEX_WIDTH = 3 * _ROW - 1
_LONG = 8
"""Bytes in a row, erased or not in the dump, that are only named, not shown one by one."""


def bytes_text(found: Examination, first: int = 0, end: int | None = None,
               style: Style = no_style) -> str:
    """Return a hex dump of `first` to before `end`: each thing with what it is and its value."""
    places = places_of(found)
    view = _View(places, style)
    size = min(len(found.dump.data), places.size)
    end = size if end is None else min(end, size)
    blocks = []
    erased: list[Region] = []  # slots of one ring in a row, told together
    for region in places.regions:
        if region.end <= first or region.first >= end:
            continue
        if erased and not (view.erased(region) and region.group == erased[0].group):
            blocks.append(view.erased_slots(erased, first, end))
            erased = []
        if region.kind is RegionKind.SLOT and view.erased(region):
            erased.append(region)
        else:
            blocks.append([*view.heading(region), *view.rows(region, first, end)])
    if erased:
        blocks.append(view.erased_slots(erased, first, end))
    return "\n".join("\n".join(block) + "\n" for block in blocks)


def bytes_data(found: Examination, first: int, end: int) -> list[JsonObject]:
    """Return the things from `first` to before `end` as plain data for JSON: address, bytes (null
    if the dump lacks one of them), what they are, and in which slot or label copy."""
    places = places_of(found)
    things: list[JsonObject] = []
    for region in places.regions:
        for run in region.runs if region.first < end and region.end > first else ():
            at, past = max(run.first, first), min(run.end, end)
            if at < past:
                things.append({
                    "address": at, "bytes": None if places.lacks(at, past) else (
                        found.dump.data[at:past].hex()),
                    "what": [t.title for t in run.things] or [run.words],
                    "group": region.group or None,
                    "slot": region.number if region.kind is RegionKind.SLOT else None,
                    "label_copy": region.number if region.kind is RegionKind.LABEL else None})
    return things


class _View:
    """Shows regions of one dump."""

    def __init__(self, places: Places, style: Style) -> None:
        self._places, self._style = places, style
        self._data, self._gaps = places.data or b"", places.gaps
        self._digits = max(4, len(f"{places.size - 1:X}"))

    # ---- Regions -----------------------------------------------------------------------------

    def erased(self, region: Region) -> bool:
        """Whether a region reads FF throughout, and nothing is wrong with that."""
        sound = region.verdict is None or region.verdict.kind is SlotKind.ERASED
        return sound and not gaps_in(self._gaps, region.first, region.end) and self._all_erased(
            region.first, region.end)

    def _all_erased(self, first: int, end: int) -> bool:
        return self._data.count(ERASED, first, end) == end - first

    def erased_slots(self, slots: Sequence[Region], first: int, end: int) -> list[str]:
        """Return the lines of slots in a row that hold nothing yet."""
        name = slots[0].title if len(slots) == 1 else (
            f"{slots[0].title.replace('slot', 'slots')} to {slots[-1].number}")
        return [self._style(f"{name}: erased", "fact"),
                self._filled(max(first, slots[0].first), min(end, slots[-1].end))]

    def heading(self, region: Region) -> Iterator[str]:
        """Yield the name of a region, if it has one; of a slot with what it is."""
        verdict = region.verdict
        if verdict is not None:
            kind = self._style(verdict.kind.value, KIND_STYLES[verdict.kind])
            record = verdict.slot.record
            more = verdict.reason or (f"record {record.sequence}" if record.valid else "")
            yield (f"{self._style(region.title + ':', 'fact')} {kind}{', ' if more else ''}{more}")
        elif region.title:
            yield self._style(region.title, "fact")

    def rows(self, region: Region, first: int, end: int) -> Iterator[str]:
        """Yield the lines of a region, as far as it lies between two addresses."""
        styles = self._styles(region)
        for run in region.runs:
            for start, past, there in self._pieces(max(run.first, first), min(run.end, end)):
                if not there and past - start >= _LONG:
                    yield self._filled(start, past, self._name(run), "--")
                    continue
                if there and past - start >= _LONG and self._all_erased(start, past):
                    yield self._filled(start, past,
                                       self._name(run) + self._source(region, start, past))
                    continue
                for row in range(start - (start - run.first) % _ROW, past, _ROW):
                    low, high = max(row, start), min(row + _ROW, past)
                    note = (self._note(run, row, low == start) + self._source(region, low, high)
                            if there else self._name(run))
                    yield self._line(low, styles[low - region.first:high - region.first], note,
                                     there)

    def _pieces(self, first: int, end: int) -> Iterator[tuple[int, int, bool]]:
        """Yield what the dump has of a stretch and what it lacks: (first, end, there)."""
        at = first
        for low, high in gaps_in(self._gaps, first, end):
            if low > at:
                yield at, low, True
            yield low, high, False
            at = high
        if at < end:
            yield at, end, True

    # ---- Lines -------------------------------------------------------------------------------

    def _line(self, first: int, styles: Sequence[str], note: str, there: bool) -> str:
        """Return one line, of as many bytes from `first` on as there are `styles`, the colour of
        each ("" for none). `there`: the dump has them."""
        pieces, at = [], first
        for part, run in groupby(styles):
            past = at + len(list(run))
            text = self._data[at:past].hex(" ").upper() if there else (
                " ".join(["--"] * (past - at)))
            pieces.append(self._style(text, part) if part else text)
            at = past
        blank = " " * (_HEX_WIDTH - 3 * len(styles) + 1)
        return f"{self._address(first)}  {' '.join(pieces)}" + (f"{blank}  {note}" if note else "")

    def _filled(self, first: int, end: int, note: str = "", byte: str = "FF") -> str:
        whole = "all FF, to" if byte == "FF" else f"{byte} to"
        text = f"{whole} {self._address(end - 1)}"
        blank = " " * (_HEX_WIDTH - len(text))
        return f"{self._address(first)}  {self._style(text, 'place')}" + (
            f"{blank}  {note}" if note else "")

    def _address(self, at: int) -> str:
        return f"{at:0{self._digits}X}"

    def _name(self, run: ByteRun) -> str:
        names = "; ".join(t.title for t in run.things if t.kind is not ThingKind.NOTHING)
        return names or ("" if run.free else run.words)

    def _note(self, run: ByteRun, row: int, leads: bool) -> str:
        """Return what stands in a run; of a long array the elements of each row. `leads`: this is
        the first row of the run that is shown."""
        if run.width and run.end - run.first > _ROW:
            (thing,) = run.things
            if thing.field is not None and thing.elements is not None:
                low, high = (row - run.first) // run.width, (
                    min(row - run.first + _ROW, run.end - run.first) // run.width)
                shown = thing._replace(field=replace(thing.field, count=high - low),
                                elements=thing.elements[low:high])
                return f"{thing.title}[{low}] to [{high - 1}]  {thing_value(shown)}"
        if not leads:
            return ""
        said = []
        for thing in run.things if self._name(run) else ():
            between = "  " if thing.field is not None or thing.kind is ThingKind.CHECK else " "
            text = "" if thing.state is ThingState.UNREAD and thing.field else thing_text(thing)
            said.append(f"{thing.title}{between}{text}".rstrip())
        return "; ".join(said) or self._name(run)

    def _source(self, region: Region, first: int, end: int) -> str:
        """Return in brackets where bytes of a torn slot come from, and what was changed."""
        low, high = first - region.first, end - region.first
        tear = region.verdict.tear if region.verdict else None
        if tear is not None:
            said = [origin.value + "?" * (not sure) for origin, sure in zip(
                tear.sources[low:high], tear.sure[low:high], strict=True)]
        else:
            said = [("" if c.bit is None else f"bit {c.bit} of ")
                    + f"{self._address(region.first + c.offset)} changed"
                    for c in region.changed if low <= c.offset < high]
        return f"  ({', '.join(dict.fromkeys(said))})" if said else ""

    # ---- Colours -----------------------------------------------------------------------------

    def _styles(self, region: Region) -> list[str]:
        """Return the colour of each byte of a region, "" for none."""
        size, verdict = region.end - region.first, region.verdict
        if verdict is not None and verdict.tear is not None:
            sources = [SOURCE_STYLES[origin] for origin in verdict.tear.sources]
            return sources + [""] * (size - len(sources))
        if verdict is not None and not verdict.kind.sound and verdict.kind is not SlotKind.FLIPPED:
            return ["error"] * size
        styles = [style for run in region.runs for style in self._run_styles(region, run)]
        for byte in region.changed:
            styles[byte.offset] = "error"
        return styles

    def _run_styles(self, region: Region, run: ByteRun) -> list[str]:
        size = run.end - run.first
        if any(thing.state is not None and thing.state.wrong for thing in run.things):
            return ["error"] * size
        if run.things and run.things[0].kind is not ThingKind.FIELD:
            return ["" if run.things[0].kind is ThingKind.NOTHING else "place"] * size
        if region.verdict is None or region.verdict.kind is not SlotKind.OLDER or (
                region.newest is None):
            return [""] * size
        # Elements that the newest record has no more stand out.
        width, away = run.width or size, region.newest - region.first
        if not run.width and run.things and run.things[0].field is not None:
            width = run.things[0].field.scalar.size
        styles: list[str] = []
        for at in range(run.first, run.end, width):
            same = self._data[at:at + width] == self._data[at + away:at + away + width]
            styles += ["" if same else "also"] * width
        return styles
