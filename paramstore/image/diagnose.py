"""What is wrong with an image, in words: findings from the facts in `contents`.

An error means that data is lost or damaged, a warning is worth knowing. One cause gives one
finding: the slots of another store are not told one by one. Must not read bytes.
"""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.core.errors import Finding, Severity, SourceText
from paramstore.core.words import address_range, plural
from paramstore.image.contents import (
    Contents,
    Gaps,
    GroupContents,
    LabelState,
    Slot,
    SlotState,
    gaps_in,
)
from paramstore.image.pack import used_ranges
from paramstore.image.wording import (
    BLANK,
    absent_text,
    breach_text,
    reset_note,
    unread_text,
)
from paramstore.layout.plan import Plan
from paramstore.record import Label
from paramstore.releases.values import parting

__all__ = ["diagnose", "gap_finding", "reset_findings"]

_SHOWN = 8
"""Reasons listed for one group; the rest is counted."""


def diagnose(contents: Contents, path: str, what: str = "dump") -> tuple[Finding, ...]:
    """Return what is wrong with the image read from `path`; `what` it is, for people.

    From the whole to the parts: size, label, then each group in schema order.
    """
    return tuple(_Diagnosis(contents, SourceText(path, ""), what).findings())


def gap_finding(source: SourceText, gaps: Gaps, lacks: str = "", what: str = "dump") -> Finding:
    """Return the finding about bytes that a file does not give: an error if `lacks` says in words
    what is not whole without them, else a warning; `what` was read, for people."""
    ranges = [address_range(first, end) for first, end in gaps]
    count = sum(end - first for first, end in gaps)
    so = f", so {lacks}" if lacks else ""
    said = f"the dump lacks {plural(count, 'byte')}" if what == "dump" else (
        f"{plural(count, 'byte')} of the part could not be read")
    mend = "read the whole part again" + ", or copy all lines of the dump" * (what == "dump")
    return Finding("PS603", said + so, source, notes=_some(ranges), help=mend if lacks else "",
                   severity=Severity.ERROR if lacks else Severity.WARNING)


def reset_findings(group: GroupContents, source: SourceText) -> Iterator[Finding]:
    """Yield what is stored in a group that cannot be, and what firmware serves in its place."""
    for reset in group.resets:
        text = breach_text(reset.breach, group.ring.group, reset.values)
        yield Finding("PS614", f"group `{group.ring.group.name}`: {text}", source,
                      notes=(reset_note(reset),))


class _Diagnosis:
    def __init__(self, contents: Contents, source: SourceText, what: str) -> None:
        self._contents = contents
        self._source = source
        self._what = what

    @property
    def _read(self) -> str:
        return " that was read" if self._contents.gaps else ""

    def findings(self) -> Iterator[Finding]:
        yield from self._size()
        if self._contents.blank:
            yield self._error(
                "PS604", f"the part is blank: every byte{self._read} is FF",
                help="a bus without an answering part reads FF as well: check the wiring if the "
                "part was programmed")
            return
        yield from self._label()
        if not self._contents.readable:
            return
        for group in self._contents.groups:
            yield from self._group(group)

    def _size(self) -> Iterator[Finding]:
        part, size = self._contents.plan.part, len(self._contents.image)
        said = f"the dump has {size} bytes, `{part.name}` has {part.capacity}"
        if size < max(end for _, end in used_ranges(self._contents.plan)):
            yield self._error("PS601", said, help="read the whole part, or give the schema of the "
                              "part it was read from")
        elif size < part.capacity:
            yield self._warning("PS601", f"{said}: what is missing is free")
        elif size > part.capacity:
            yield self._warning(
                "PS602", f"the dump has {size} bytes, `{part.name}` has {part.capacity}: "
                "only the first ones are read")
        gaps = self._contents.gaps
        if gaps:
            slots = sum(bool(gaps_in(gaps, s.address, s.address + g.ring.record_bytes))
                        for g in self._contents.groups for s in g.slots
                        if s.state is SlotState.MISSING)
            are = "is" if slots == 1 else "are"
            yield gap_finding(self._source, gaps,
                              f"{plural(slots, 'slot')} {are} not whole" if slots else "",
                              self._what)

    def _label(self) -> Iterator[Finding]:
        contents, plan, label = self._contents, self._contents.plan, self._contents.label
        if label is None and contents.readable:
            what = {LabelState.BLANK: "erased", LabelState.MISSING: absent_text(self._what)}.get(
                contents.label_state, "damaged")
            yield self._error("PS605", f"both copies of the label are {what}",
                              help="the records that are shown are of this store all the same")
            return
        if label is None:
            zeros = contents.only(0)
            yield self._error(
                "PS605", f"the {self._what} holds no label, and no record of "
                f"`{plan.schema.name}`",
                notes=(f"every byte{self._read} is 00",) if zeros else (),
                help="a data line that is held low reads 00, and some adapters give 00 when no "
                "part answers: check the bus, and read the part again" if zeros else
                "give the schema of the unit, and read the part again")
            return
        match contents.label_state:
            case LabelState.FORMAT:
                yield self._error(
                    "PS610", f"the label is of format version {label.version}, not 1",
                    help="use a newer paramstore")
            case LabelState.ERASING:
                yield self._error(
                    "PS618", "the part was being erased, and that did not end",
                    help="end it with `ps_wipe` or `paramstore erase`: what is still there no "
                    "longer counts")
            case LabelState.FOREIGN:
                yield self._error(
                    "PS607", f"the part holds the store {_store(label.name, label.store_id)}, "
                    f"not {_store(plan.schema.name, plan.store_id)}",
                    help="give the schema of that store")
            case LabelState.PART:
                yield self._error(
                    "PS608", f"the label is for a part of {label.capacity} bytes with "
                    f"{label.page}-byte pages; `{plan.part.name}` has {plan.part.capacity} "
                    f"and {plan.part.page}")
            case LabelState.LAYOUT:
                yield self._error(
                    "PS609", f"the part has {_layout(label)}, the schema gives {_layout(plan)}"
                    + ", not released" * bool(label.release and not plan.release),
                    help="use the schema the unit was made with" + (
                        ", with its releases beside it" if label.release else ""))
            case LabelState.BRANCH:
                yield self._branch(label)
        yield from self._copies()

    def _branch(self, label: Label) -> Finding:
        plan = self._contents.plan
        found = parting(label, plan)
        assert found is not None, "the label state comes from it"
        shared, apart = found
        both = f"both have release {shared}" if shared else (
            "the label tells of no release that both have")
        return self._error(
            "PS617", f"the part is of another branch of `{plan.schema.name}`: its release "
            f"{apart} is not that of this schema",
            notes=(f"it has {_layout(label)}; {both}",),
            help="give the schema of that branch with its releases" + (
                f"; `paramstore {'unpack' if self._what == 'dump' else 'read'} --release {shared}` "
                "reads what both have" if shared else ""))

    def _copies(self) -> Iterator[Finding]:
        contents = self._contents
        if contents.label_state not in (
                LabelState.OURS, LabelState.RELEASE, LabelState.BRANCH, LabelState.LAYOUT):
            return  # on another part the second copy lies elsewhere
        first, second = contents.labels
        if first is None or second is None:
            copy = 0 if first is None else 1
            at = contents.plan.label_address(copy)
            if gaps_in(contents.gaps, at, at + contents.plan.label_bytes):
                yield self._warning("PS606", f"label copy {copy} is not whole; the other one "
                                    "is", (f"bytes are {absent_text(self._what)}",))
            else:
                yield self._warning("PS606", f"label copy {copy} is damaged; the other one is "
                                    "whole", help="`ps_format` writes it anew")
        elif first != second:
            yield self._warning(
                "PS616", f"the label copies differ: {_unlike(first, second)}",
                help="copy 0 counts")

    def _group(self, group: GroupContents) -> Iterator[Finding]:
        name = f"group `{group.ring.group.name}`"
        bad = [s for s in group.slots if s.state.bad]
        if group.may_be_in_gaps:
            yield self._error("PS612", f"{name}: {unread_text(self._what)}", notes=_slots(bad),
                              help="the values shown are defaults")
        elif group.lost:
            yield self._error("PS612", f"{name} is lost: no slot holds a whole record",
                              notes=_slots(bad), help="the values shown are defaults")
        elif bad:
            hold = "holds no record of its own" if len(bad) == 1 else "hold no record of their own"
            yield self._error("PS611", f"{name}: {plural(len(bad), 'slot')} of "
                              f"{len(group.slots)} {hold}", notes=_slots(bad))
        elif self._contents.missed(group):
            yield self._error(
                "PS619", f"{name} holds no record, on a unit in use: it was erased, or production "
                "gave it no values", help="the values shown are defaults; compare with what was "
                "recorded of the unit")
        elif group.blank:
            yield self._warning("PS613", f"{name} is {BLANK}: " + (
                "the values are from where an earlier release kept them" if group.migrated
                else "firmware serves defaults and says so"))
        yield from reset_findings(group, self._source)
        if group.newest and group.newest.record.revision > group.ring.revision:
            yield self._warning(
                "PS615", f"{name}: the record is of revision {group.newest.record.revision}, "
                f"the schema of revision {group.ring.revision}")

    def _error(self, code: str, message: str, notes: tuple[str, ...] = (),
               help: str = "") -> Finding:
        return Finding(code, message, self._source, notes=notes, help=help)

    def _warning(self, code: str, message: str, notes: tuple[str, ...] = (),
                 help: str = "") -> Finding:
        return Finding(code, message, self._source, notes=notes, help=help,
                       severity=Severity.WARNING)


def _layout(of: Label | Plan) -> str:
    release = f" of release {of.release}" if of.release else ""
    return f"layout {of.layout_id:08X}{release}"


def _store(name: str, number: int) -> str:
    return f"`{name}` (id 0x{number:08X})" if name else f"with the id 0x{number:08X}"


def _unlike(first: Label, second: Label) -> str:
    """Return the fields in which two labels differ, with both values."""
    shown = zip(_fields(first).items(), _fields(second).values(), strict=True)
    return ", ".join(f"{name} {a} and {b}" for (name, a), b in shown if a != b)


def _fields(label: Label) -> dict[str, str]:
    return {name.replace("_", " "): str(value) for name, value in label._asdict().items()} | {
        "store id": f"0x{label.store_id:08X}", "layout id": f"0x{label.layout_id:08X}",
        "lineage": bytes(label.lineage).hex(" ").upper(), "name": f"`{label.name}`"}


def _slots(slots: list[Slot]) -> tuple[str, ...]:
    return _some([f"slot {s.number} at 0x{s.address:04X}: {s.reason}" for s in slots])


def _some(lines: list[str]) -> tuple[str, ...]:
    if len(lines) > _SHOWN:
        lines = [*lines[:_SHOWN - 1], f"and {len(lines) - _SHOWN + 1} more"]
    return tuple(lines)
