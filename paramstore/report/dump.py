"""What became of a dump, in text and as data: slots that are not sound, history, wear.

Words the facts of `inspect`; the values themselves are shown by `report.image`. Colours come from
outside, as a function of the parts that `report.findings` names.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from paramstore.core.scalars import GroupRaws
from paramstore.core.text import JsonObject, printable
from paramstore.core.words import address_range
from paramstore.inspect.history import Commit, CommitHistory, ValueChange, Wear
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.store import StoreExamination
from paramstore.report.findings import Style, no_style
from paramstore.report.image import image_data, image_text
from paramstore.report.wording import LONG_LIFE_YEARS
from paramstore.schema.from_raw import format_value, show_element
from paramstore.schema.model import Kind, Parameter

__all__ = ["KIND_STYLES", "SOURCE_STYLES", "dump_data", "dump_text", "left_text", "numbers_text",
           "parameter_text"]

SOURCE_STYLES = {"old": "place", "new": "mend", "same": "fact", "erased": "warning",
                "cleared": "warning", "mixed": "error", "other": "error"}
"""The part of a report whose colour the bytes of a torn slot have, by `inspect.tear.ByteSource`."""

KIND_STYLES = {
    SlotKind.CURRENT: "mend", SlotKind.OLDER: "place", SlotKind.ERASED: "place",
    SlotKind.TORN: "warning", SlotKind.WORN: "warning", SlotKind.OTHER_STORE: "warning",
    SlotKind.FLIPPED: "error", SlotKind.MISPLACED: "error", SlotKind.DAMAGED: "error",
    SlotKind.MISSING: "error",
}
"""The part of a report whose colour a slot has."""

_FEW = 4
"""Elements that are told one by one when they change."""

_MOST_COMMITS = 12
"""Commits of one group that are shown; JSON has all of them."""


def dump_text(found: StoreExamination, style: Style = no_style) -> str:
    """Return what a dump of a store says, findings left out, lines ended by \\n."""
    text = image_text(found.contents)
    if not found.contents.readable:
        return text
    blocks = [
        list(_slots(found, style)), list(_histories(found)), list(_wear(found)),
        ["Free pages that hold bytes", *(f"  {address_range(first, end)}"
                                         for first, end in found.unallocated)]
        if found.unallocated else [],
    ]
    return text + "".join("\n" + "\n".join(block) + "\n" for block in blocks if block)


def _slots(found: StoreExamination, style: Style) -> Iterator[str]:
    unsound = [(name, v) for name, verdicts in found.slots.items() for v in verdicts
               if not v.kind.sound or v.revision is not None]
    if unsound:
        told = (["not sound"] * any(not v.kind.sound for _, v in unsound)
                + ["of another revision"] * any(v.kind.sound for _, v in unsound))
        yield f"Slots that are {' or '.join(told)}"
    for name, verdict in unsound:
        what = verdict.kind.value if verdict.revision is None else (
            f"{verdict.kind.value}, revision {verdict.revision}")
        place = f"  {name}, slot {verdict.slot.number} at 0x{verdict.slot.address:04X}"
        yield f"{place}: {style(what, KIND_STYLES[verdict.kind])}" + (
            f": {verdict.reason}" if verdict.reason else "")
        yield from _torn(verdict, style)
        if verdict.repair is not None and verdict.kind is not SlotKind.FLIPPED:
            bits = " and ".join(f"bit {b.bit} of 0x{verdict.slot.address + b.offset:04X}"
                                for b in verdict.repair.bits)
            number = int.from_bytes(verdict.repair.data[:4], "little")
            yield f"    changing {bits} would make it record {number}"


def _torn(verdict: SlotVerdict, style: Style) -> Iterator[str]:
    if verdict.tear is None:
        return
    from paramstore.inspect.tear import segments

    tear, address = verdict.tear, verdict.slot.address
    for segment in segments(tear.sources):
        sure = all(tear.sure[segment.first:segment.end])
        yield (f"    {address_range(address + segment.first, address + segment.end)}  "
               f"{style(segment.source.value, SOURCE_STYLES[segment.source])}"
               + ("" if sure else ", inferred"))


def _histories(found: StoreExamination) -> Iterator[str]:
    if any(len(h.commits) > 1 for h in found.histories.values()):
        yield "History: what each commit changed, oldest first"
    for name, history in found.histories.items():
        if len(history.commits) < 2:
            continue
        yield f"  {name}"
        shown = history.commits[-_MOST_COMMITS:]
        if len(history.commits) > len(shown):
            yield f"    {len(history.commits) - len(shown)} earlier commits"
        for commit in shown:
            changes = [_change(c) for c in commit.changes] or [
                "the oldest that can be read" if commit is history.commits[0] else "no change"]
            head = f"    record {numbers_text(commit)}"
            yield f"{head}  {changes[0]}"
            yield from (" " * len(head) + "  " + c for c in changes[1:])


def numbers_text(commit: Commit) -> str:
    """Return the number of the record of a commit, or of its copies."""
    first, last = commit.sequences[0], commit.sequences[-1]
    return str(first) if first == last else f"{first} to {last}"


def _change(change: ValueChange) -> str:
    """Return what a commit changed in a parameter; of a long array the elements, if they are few.
    """
    p = change.parameter
    elements = [(f, i) for f in p.fields if f.kind not in (Kind.TEXT, Kind.BYTES)
                for i in range(f.count) if change.before[f.name][i] != change.after[f.name][i]]
    if 0 < len(elements) <= _FEW < sum(f.count for f in p.fields):
        return ", ".join(
            f"{f.name}[{i}]: {show_element(f, change.before[f.name][i], f.digits)} -> "
            f"{show_element(f, change.after[f.name][i], f.digits)}" + f" {f.unit}" * bool(f.unit)
            for f, i in elements)
    return f"{p.name}: {parameter_text(p, change.before)} -> {parameter_text(p, change.after)}"


def parameter_text(parameter: Parameter, raws: GroupRaws) -> str:
    """Return the value of a parameter with its unit; a curve as points."""
    texts = [printable(format_value(f, raws[f.name])) for f in parameter.fields]
    return f"x {texts[0]}, y {texts[1]}" if parameter.kind is Kind.CURVE else texts[0]


def _wear(found: StoreExamination) -> Iterator[str]:
    yield "Wear: by the sequence numbers, at the temperature of the schema"
    width = max(map(len, found.wear), default=0)
    for name, wear in found.wear.items():
        yield (f"  {name:{width}}  {wear.writes:,} of {wear.endurance:,.0f} writes of a slot, "
               f"{wear.used:.1%}; {left_text(wear)}")


def left_text(wear: Wear) -> str:
    """Return how many years of a ring are left."""
    if math.isinf(wear.years_left):
        return "never written by the schema"
    if wear.years_left > LONG_LIFE_YEARS:
        return f"over {LONG_LIFE_YEARS:,} years left at the writes of the schema"
    years = f"{wear.years_left:,.0f}" if wear.years_left >= 10 else f"{wear.years_left:.1f}"
    return f"{years} years left at the writes of the schema"


# ---- Data ---------------------------------------------------------------------------------------


def dump_data(found: StoreExamination) -> JsonObject:
    """Return the same as plain data for JSON."""
    return image_data(found.contents) | {
        "slots": {name: [_verdict_data(v) for v in verdicts]
                  for name, verdicts in found.slots.items()},
        "histories": {name: _history_data(h) for name, h in found.histories.items()},
        "wear": {
            name: {"writes": w.writes, "endurance": w.endurance, "used": w.used,
                   "years_left": None if math.isinf(w.years_left) else w.years_left}
            for name, w in found.wear.items()
        },
        "unallocated": [list(span) for span in found.unallocated],
    }


def _verdict_data(verdict: SlotVerdict) -> JsonObject:
    tear, repair = verdict.tear, verdict.repair
    if tear is not None:
        from paramstore.inspect.tear import segments
    return {
        "slot": verdict.slot.number,
        "address": verdict.slot.address,
        "kind": verdict.kind.value,
        "reason": verdict.reason,
        "turn": verdict.turn,
        "revision": verdict.revision,
        "tear": tear and {
            "old": tear.old_sequence, "new": tear.new_sequence, "proven": tear.proven,
            "bytes": [{"first": s.first, "end": s.end, "source": s.source.value,
                       "sure": all(tear.sure[s.first:s.end])} for s in segments(tear.sources)],
        },
        "repair": repair and [{"offset": b.offset, "bit": b.bit} for b in repair.bits],
        "store_id": verdict.store_id,
    }


def _history_data(history: CommitHistory) -> JsonObject:
    return {
        "commits": [
            {"sequences": list(c.sequences), "revision": c.revision, "changes": [
                {"parameter": x.parameter.name, "before": parameter_text(x.parameter, x.before),
                 "after": parameter_text(x.parameter, x.after)} for x in c.changes]}
            for c in history.commits
        ],
        "missing": [list(m) for m in history.missing],
        "twice": list(history.twice),
    }
