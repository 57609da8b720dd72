"""A dump read with a fixed layout: where it lies in the file, what it holds, what is wrong.

The reader of layouts without records. Must not know how a report looks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from paramstore.core.errors import Finding, Severity
from paramstore.core.format import ERASED
from paramstore.core.scalars import GroupRaws, Raw
from paramstore.core.words import address_range, plural
from paramstore.files.forms import Dump
from paramstore.files.runs import Reading
from paramstore.image.contents import gaps_in
from paramstore.image.diagnose import gap_finding
from paramstore.image.wording import breach_text
from paramstore.inspect.examination import (
    Absence,
    Examination,
    StoredValue,
    Values,
)
from paramstore.inspect.fixed_align import ENOUGH_BITS, align_fixed, evidence_bits
from paramstore.inspect.regions import ThingState
from paramstore.schema.bits import NoValue, place_bytes, show_place
from paramstore.schema.breaches import own_breaches
from paramstore.schema.fixed.contents import read_image
from paramstore.schema.fixed.found import (
    NO_LETTER,
    CheckResult,
    Copy,
    FixedContents,
    FixedGroupContents,
    GroupPresence,
)
from paramstore.schema.fixed.model import CheckKind, FixedGroup, FixedLayout, PlacedParameter
from paramstore.schema.from_raw import element_name, format_value
from paramstore.schema.model import Kind

__all__ = ["FixedExamination", "examine_fixed", "faults_in", "holes_of", "item_state",
           "speaks_for_itself", "spoilt_items", "wrong_in"]


@dataclass(frozen=True)
class FixedExamination(Examination):
    """What a dump holds by a fixed layout."""

    contents: FixedContents

    @property
    def schema(self) -> FixedLayout:
        """The layout by which the dump was read."""
        return self.contents.layout

    @property
    def size(self) -> int:
        """Bytes of the layout."""
        return self.contents.layout.size

    @property
    def groups(self) -> tuple[FixedGroup, ...]:
        """The groups, with the scales that the dump holds."""
        return tuple(found.group for found in self.contents.groups)

    @property
    def comparable(self) -> bool:
        """Every dump is: a fixed layout has nothing that says what a part is of."""
        return True

    @property
    def holds_values(self) -> bool:
        """Whether there is anything but erased bytes in the dump."""
        return self.dump.data.count(ERASED) < len(self.dump.data)

    def values(self) -> Values:
        """Return the values that are stored."""
        return {(found.group.name, parameter.name): StoredValue(_raws(found, parameter.name))
                for found in self.contents.groups for parameter in found.group.parameters}

    def same_layout(self, other: Examination) -> bool:
        """Return whether both are read with the same layout."""
        return isinstance(other, FixedExamination) and self.schema == other.schema


def _raws(found: FixedGroupContents, name: str) -> GroupRaws | Absence:
    raws = found.values.get(name)
    if raws is not None:
        return {name: raws}
    if name in found.faulty:
        return Absence.FAULTY
    absent = name in found.unset or found.presence is GroupPresence.ABSENT
    return Absence.NOTHING if absent else Absence.UNREAD


def examine_fixed(reading: Reading, layout: FixedLayout,
                  offset: int | None = None) -> FixedExamination:
    """Return what a file holds; `offset` is where the first byte of the layout lies in it, see
    `align_fixed`."""
    lies = align_fixed(reading, layout, offset)
    size = len(lies.dump.data)
    dump = Dump(lies.dump.data[:layout.size], gaps_in(lies.dump.gaps, 0, layout.size))
    contents = read_image(layout, dump.data, dump.gaps)
    findings = [*reading.findings, *lies.findings,
                *_Diagnosis(reading, dump, contents, size).findings()]
    name = layout.source.path if layout.source else layout.name
    return FixedExamination(name, reading, dump, tuple(findings), contents)


def item_state(found: FixedGroupContents, item: PlacedParameter) -> ThingState:
    """Return what became of a parameter of a group."""
    if item.name in found.unset:
        return ThingState.UNSET
    if found.copy is Copy.ERASED:
        return ThingState.ERASED
    if item.name in found.faulty:
        return ThingState.FAULTY
    raws = found.values.get(item.name)
    if raws is None:
        return ThingState.UNREAD
    if not any(wrong_in(found.group, item, raws)):
        return ThingState.SOUND
    if item.always is not None:
        return ThingState.NOT_CONSTANT
    if item.alphabet is not None:
        return ThingState.NO_LETTERS
    return ThingState.NO_TEXT if item.field.kind is Kind.TEXT else ThingState.OUTSIDE


def wrong_in(group: FixedGroup, item: PlacedParameter, raws: tuple[Raw, ...]) -> Iterator[str]:
    """Yield what is wrong with the value of one parameter, as messages that stand alone."""
    field = item.field
    if item.always is not None and raws != item.always:
        yield (f"`{item.name}` must always be {format_value(field, item.always)}, "
               f"not {format_value(field, raws)}")
        return
    if item.alphabet is not None:
        for index, raw in enumerate(raws):
            if raw == NO_LETTER:
                yield f"`{element_name(field, (index,))}` is not a letter of its alphabet"
        return
    for breach in own_breaches(item.parameter, field, raws):
        yield breach_text(breach, group, {field.name: raws})


def faults_in(found: FixedGroupContents, item: PlacedParameter) -> Iterator[str]:
    """Yield which elements of a parameter have bits that stand for nothing, as messages."""
    for index, raw in enumerate(found.faulty.get(item.name, ())):
        if isinstance(raw, NoValue):
            name = element_name(item.field, (index,) if item.field.array else ())
            yield f"`{name}` holds {raw.text}, which is no {raw.lacks}"


def spoilt_items(contents: FixedContents, group: FixedGroup) -> frozenset[str]:
    """Return the parameters of a group of which a wrong checksum covers any byte."""
    return frozenset(item.name for item in group.items if contents.wrong_over(group, item))


class _Diagnosis:
    def __init__(self, reading: Reading, dump: Dump, contents: FixedContents, size: int) -> None:
        self._source, self._dump = reading.source, dump
        self._contents, self._size = contents, size

    def findings(self) -> Iterator[Finding]:
        layout, data = self._contents.layout, self._dump.data
        holds = data.count(ERASED) < len(data)
        if self._size < layout.size:
            yield self._found(
                "PS601", f"the dump has {plural(max(0, self._size), 'byte')}, `{layout.name}` has "
                f"{layout.size}", help="read all of it, or give the address where it begins with "
                "--input-offset")
        elif self._size > layout.size:
            yield self._found(
                "PS602", f"the dump has {self._size} bytes, `{layout.name}` has {layout.size}: "
                "only the first ones are read", severity=Severity.WARNING)
        if self._dump.gaps:
            yield gap_finding(self._source, self._dump.gaps, self._lacks())
        if data and not holds:
            yield self._found("PS604", "every byte is FF: nothing was written here",
                              help="a bus without an answering part reads FF as well: check the "
                              "wiring, and the address")
            return
        for group in self._contents.groups:
            yield from self._copies(group)
            # What is wrong in a copy that another one stands in for costs nothing.
            spare = group.copy is not None and group.copy is not Copy.USED and any(
                other.copy is Copy.USED for other in self._contents.blocks(group.group.declared))
            if group.copy is not Copy.ERASED:
                for finding in self._group(group):
                    yield replace(finding, severity=Severity.WARNING) if spare else finding

    def _copies(self, found: FixedGroupContents) -> Iterator[Finding]:
        """Yield what is wrong with the copies of a group as a whole, once for all of them."""
        blocks = self._contents.blocks(found.group.declared)
        copies = [block.copy for block in blocks]
        if found.copy is None or found.group.name != blocks[0].group.name or Copy.USED in copies:
            return
        name = found.group.declared
        states = tuple(f"`{block.group.name}` is {block.copy}" for block in blocks)
        if Copy.DOUBTFUL in copies:
            yield self._found(
                "PS674", f"group `{name}`: nothing tells which of its copies is the newest",
                notes=(*states, "they hold different values under the same sequence number, or "
                       "under numbers half of their range apart"),
                help="compare the values, and decide by what else is known of the unit")
        else:
            yield self._found(
                "PS673", f"group `{name}`: none of its copies is right", notes=states,
                help="read the part again; trust no value of the group")

    def _lacks(self) -> str:
        """Return in words what is not whole for gaps; "" if nothing is."""
        values = sum(
            found.presence is GroupPresence.CUT or item.name not in found.read
            for found in self._contents.groups if found.presence is not GroupPresence.ABSENT
            for item in found.group.items)
        checks = sum(len(found.group.checks) - len(found.checks) for found in self._contents.groups
                     if found.presence is not GroupPresence.ABSENT)
        what = [plural(count, name) for count, name in (
            (values, "value"), (checks, "checksum")) if count]
        are = "is" if values + checks == 1 else "are"
        return f"{' and '.join(what)} {are} not whole" if what else ""

    def _group(self, found: FixedGroupContents) -> Iterator[Finding]:
        name = found.group.name
        for result in found.checks:
            if not result.right:
                yield self._check(name, result)
        for item in found.group.items:
            for message in faults_in(found, item):
                yield self._item("PS675", name, item, message)
            if item.name in found.values:
                code = "PS614" if item.always is None else "PS671"
                for message in wrong_in(found.group, item, found.values[item.name]):
                    yield self._item(code, name, item, message)

    def _item(self, code: str, group: str, item: PlacedParameter, message: str) -> Finding:
        where = show_place(tuple(b for p in item.places for b in p))
        return self._found(code, f"group `{group}`: {message}", notes=(f"it stands at {where}",))

    def _check(self, group: str, result: CheckResult) -> Finding:
        check, digits = result.check, 2 * len(result.check.place)
        stored, computed = (f"0x{n:0{digits}X}" for n in (result.stored, result.computed))
        what = "CRC" if check.kind is CheckKind.CRC else "checksum"
        return self._found(
            "PS670", f"group `{group}`: the {what} `{check.name}` is {stored}, the bytes give "
            f"{computed}", notes=(f"it stands at {show_place(check.place)} and is over "
                                  f"{_ranges(check.over)}",),
            help="bytes were changed, or read wrongly: read again, and trust no value of the range")

    def _found(self, code: str, message: str, notes: tuple[str, ...] = (), help: str = "",
               severity: Severity = Severity.ERROR) -> Finding:
        return Finding(code, message, self._source, notes=notes, help=help, severity=severity)


def _ranges(addresses: Sequence[int]) -> str:
    runs: list[list[int]] = []
    for address in addresses:
        if runs and runs[-1][1] == address:
            runs[-1][1] = address + 1
        else:
            runs.append([address, address + 1])
    return ", ".join(address_range(first, end) for first, end in runs)


# ---- What has no meaning, what speaks for a layout ----------------------------------------------


def holes_of(contents: FixedContents) -> list[tuple[int, int]]:
    """Return the (first, past the last) addresses of bytes without a meaning: no group that is
    there has them, and they do not say whether one is."""
    known: set[int] = set()
    for found in contents.groups:
        if found.group.condition is not None:
            known.update(place_bytes(found.group.condition.place))
        if found.presence is not GroupPresence.ABSENT:
            known.update(b.address for i in found.group.items for p in i.places for b in p)
            known.update(a for c in found.group.checks for a in place_bytes(c.place))
    holes: list[tuple[int, int]] = []
    for address in range(len(contents.image)):
        if address in known:
            continue
        if holes and holes[-1][1] == address:
            holes[-1] = holes[-1][0], address + 1
        else:
            holes.append((address, address + 1))
    return holes


def speaks_for_itself(contents: FixedContents, *, checksums: bool = True) -> bool:
    """Return whether the constants and, with `checksums`, the checksums of a layout are all right
    in an image that is all there, and are so many bits that it is no chance."""
    return len(contents.image) == contents.layout.size and (
        evidence_bits(contents, checksums=checksums) >= ENOUGH_BITS)
