"""Findings about slots and wear, in words.

A finding is an error where something is lost or damaged, a warning where it mends itself or is
only worth knowing. Must not read bytes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from paramstore.core.errors import Finding, Severity, SourceText
from paramstore.core.format import CRC_BYTES, ERASED
from paramstore.core.words import address_range
from paramstore.image.contents import Contents
from paramstore.image.wording import unread_text
from paramstore.inspect.history import CommitHistory, Wear
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.record import RecordState

__all__ = ["describe", "repair_text"]

_CODES = {
    SlotKind.TORN: ("PS660", Severity.WARNING),
    SlotKind.FLIPPED: ("PS661", Severity.ERROR),
    SlotKind.WORN: ("PS662", Severity.WARNING),
    SlotKind.MISPLACED: ("PS663", Severity.ERROR),
    SlotKind.OTHER_STORE: ("PS664", Severity.WARNING),
    SlotKind.DAMAGED: ("PS665", Severity.ERROR),
}
_NEAR_THE_END = 0.8
_NO_CRC = bytes([ERASED]) * CRC_BYTES
_MOST = 8
"""Places named in the notes of one finding."""


def describe(contents: Contents, source: SourceText, slots: Mapping[str, tuple[SlotVerdict, ...]],
             histories: Mapping[str, CommitHistory], wear: Mapping[str, Wear],
             unallocated: tuple[tuple[int, int], ...], what: str = "dump") -> tuple[Finding, ...]:
    """Return the findings about every slot, the wear of each ring, and stray bytes;
    `what` was read, for people."""
    found: list[Finding] = []
    for name, verdicts in slots.items():
        if contents.group(name).lost:
            found.append(_lost(contents, source, name, verdicts, what))
        found += [_slot(source, name, v, histories[name]) for v in verdicts if v.kind in _CODES]
        found += _wear(source, name, wear[name])
    if unallocated:
        found.append(Finding(
            "PS668", f"{len(unallocated)} free page{'s' * (len(unallocated) > 1)} "
            f"hold{'s' * (len(unallocated) == 1)} bytes", source,
            notes=_some([address_range(a, b) for a, b in unallocated]),
            severity=Severity.WARNING))
    return tuple(found)


def repair_text(verdict: SlotVerdict) -> str:
    """Return which bits would make a whole record of a slot; "" if none do."""
    if verdict.repair is None:
        return ""
    bits = [f"bit {b.bit} of 0x{verdict.slot.address + b.offset:04X}" for b in verdict.repair.bits]
    return f"with {' and '.join(bits)} changed it would be record {verdict.repair.sequence}"


def _lost(contents: Contents, source: SourceText, name: str,
          verdicts: tuple[SlotVerdict, ...], what: str) -> Finding:
    """Tell that a group has no record: nothing is lost if only its first write was begun."""
    if contents.group(name).may_be_in_gaps:
        return Finding("PS612", f"group `{name}`: {unread_text(what)}", source,
                       help="the values shown are defaults")
    written = [v for v in verdicts if v.kind is not SlotKind.ERASED]
    notes: tuple[str, ...] = ()
    if len(written) == 1 and written[0].tear is not None:
        end = written[0].slot.address + contents.group(name).ring.record_bytes
        if written[0].tear.proven or contents.image[end - CRC_BYTES:end] == _NO_CRC:
            return Finding(
                "PS613", f"group `{name}` was never written: its first write was cut, and the "
                "values are defaults", source, severity=Severity.WARNING)
        notes = ("if this was the first write of the group, no record was ever acknowledged",)
    return Finding("PS612", f"group `{name}` is lost: no slot holds a whole record", source,
                   notes=notes, help="the values shown are defaults")


def _slot(source: SourceText, name: str, verdict: SlotVerdict, history: CommitHistory) -> Finding:
    code, severity = _CODES[verdict.kind]
    if verdict.costs_nothing:
        severity = Severity.WARNING
    slot = verdict.slot
    notes = []
    if verdict.tear is not None:
        notes.append("a CRC proves it" if verdict.tear.proven
                     else "inferred from the records beside it")
        if verdict.tear.new is not None:
            notes.append(f"the values of record {verdict.tear.new_sequence} can be read, but the "
                         "commit was never acknowledged")
    if verdict.kind is not SlotKind.FLIPPED and (repair := repair_text(verdict)):
        notes.append(repair)
    if slot.record.state is RecordState.MISPLACED and slot.record.sequence in history.twice:
        notes.append("the slot where it belongs holds it too")
    return Finding(
        code, f"group `{name}`, slot {slot.number} at 0x{slot.address:04X}: {verdict.reason}",
        source, notes=tuple(notes), severity=severity,
        help="read the part again and compare" if severity is Severity.ERROR else "")


def _wear(source: SourceText, name: str, wear: Wear) -> Iterator[Finding]:
    if wear.used < _NEAR_THE_END:
        return
    left = "" if math.isinf(wear.years_left) else (
        f"; at the writes of the schema that leaves {wear.years_left:.1f} years")
    yield Finding(
        "PS667", f"group `{name}`: each slot was written {wear.writes} times, of "
        f"{wear.endurance:.0f} that the part is rated for{left}", source,
        severity=Severity.WARNING)


def _some(lines: list[str]) -> tuple[str, ...]:
    if len(lines) > _MOST:
        lines = [*lines[:_MOST - 1], f"and {len(lines) - _MOST + 1} more"]
    return tuple(lines)
