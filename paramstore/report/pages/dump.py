"""The page of a dump: what it says, what is broken and where, what it was before, byte by byte.

Facts are from `inspect`, and words that the text report has too are taken from there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from functools import partial

from markupsafe import Markup

from paramstore.core.errors import Severity
from paramstore.core.format import slot_of
from paramstore.core.words import plural
from paramstore.image.contents import GroupContents
from paramstore.inspect.examination import Examination
from paramstore.inspect.history import CommitHistory
from paramstore.inspect.regions import Places, Region, RegionKind
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.store import StoreExamination
from paramstore.inspect.store_places import StorePlaces
from paramstore.layout.plan import Plan
from paramstore.report.dump import left_text, numbers_text
from paramstore.report.findings import count_line
from paramstore.report.image import label_text, origin_text, value_remarks, value_text
from paramstore.report.page_map import letter
from paramstore.report.pages.byte_view import areas, plain_areas
from paramstore.report.pages.charts import used_up
from paramstore.report.pages.frame import Facts, prose, render
from paramstore.report.pages.ring import RingSlot, ring_picture
from paramstore.report.pages.states import STATES, mend_text, shape_definitions, state_of
from paramstore.report.pages.strips import hue, map_rows
from paramstore.report.plan import address_text, number_text
from paramstore.report.wording import allowed_text

__all__ = ["dump_page", "finding_facts", "read_facts"]

_MOST_COMMITS = 40
"""Commits of one group that are shown at once; the rest can be unfolded."""
_MOST_NAMED = 12
"""Slots that the words of a picture name one by one."""


def dump_page(found: StoreExamination) -> str:
    """Return what a dump says as a whole HTML page."""
    plan, contents = found.plan, found.contents
    readable, places = contents.readable, StorePlaces(plan, found)
    counts = Counter(v.kind for verdicts in found.slots.values() for v in verdicts)
    return render(
        "dump", f"{plan.schema.name}: what a dump says", kind="What a dump says",
        store=plan.schema.name, doc=prose(plan.schema.doc), dump=True,
        facts=[*read_facts(found, ("Part", f"{plan.part.name}, {plan.part.capacity:,} bytes")),
               ("Label", label_text(contents))],
        verdict=_verdict(found), shapes=shape_definitions(), findings=finding_facts(found),
        address=partial(address_text, plan), absent="",
        rows=map_rows(places, partial(_look, places)),
        groups=[_group(found, places, i, g) for i, g in enumerate(contents.groups)]
        if readable else [],
        areas=list(areas(places) if readable else plain_areas(places)),
        pages={
            "address": lambda page: address_text(plan, page * plan.part.page),
            "states": _states(counts), "temperature": plan.schema.temperature_c,
            "letters": [{"letter": letter(i), "hue": hue(i), "name": r.group.name, "index": i}
                        for i, r in enumerate(plan.rings)],
            "unallocated": bool(found.unallocated),
            "retired": [r.group.name for r in plan.retired]})


def read_facts(found: Examination, size: tuple[str, str]) -> list[tuple[str, str]]:
    """Return what was read, and with what; `size` is that of the part or the layout."""
    gaps = sum(end - first for first, end in found.dump.gaps)
    there = plural(len(found.dump.data) - gaps, "byte")
    return [("File", found.reading.source.path), ("Read as", found.reading.title),
            ("Schema", found.name), size,
            ("In the dump", there + (f", {gaps} missing" if gaps else ""))]


def finding_facts(found: Examination) -> list[Facts]:
    """Return the findings as the template shows them, errors first."""
    findings = sorted(found.findings, key=lambda f: (f.severity is not Severity.ERROR, *f.sort_key))
    return [{
        "error": f.severity is Severity.ERROR, "code": f.code, "message": f.message,
        "notes": f.notes, "help": f.help,
        "place": f"line {f.span.line} of {f.source.path}" if f.span and f.source else ""}
        for f in findings]


def _states(counts: Counter[SlotKind]) -> list[Facts]:
    return [{"kind": kind, "count": counts[kind], **STATES[kind].words} for kind in SlotKind
            if counts[kind]]


def _verdict(found: StoreExamination) -> str:
    errors = sum(f.severity is Severity.ERROR for f in found.findings)
    if not found.contents.readable:
        return "The dump is of no unit of this schema: its values cannot be read."
    if not found.findings:
        return "Everything is in order."
    unsure = any(map(found.contents.may_have_been_erased, found.contents.groups))
    lead = ("Something is lost or damaged" if errors else
            "Nothing is damaged" if unsure else "Nothing is lost")
    return f"{lead}: {count_line(found.findings)}."


# ---- Slots ---------------------------------------------------------------------------------------


def _look(places: StorePlaces, region: Region) -> tuple[str, str, str]:
    """Return the look of a slot or a label copy, the shape in it, and what it is in words."""
    if region.kind is RegionKind.LABEL:
        if region.whole:
            return "", "", ", whole"
        stored = places.bytes_at(range(region.first, region.runs[-1].first)) or b""
        return ("erased", "", ", erased") if stored.strip(b"\xff") == b"" else (
            "bad", "damaged", ", damaged")
    if region.verdict is None:
        return "", "", ""
    state = STATES[region.verdict.kind]
    shape = "" if state.css == "erased" else state.shape  # hollow says it
    return state.css, shape, f": {state_of(region.verdict)}"


def _ring(index: int, group: GroupContents, verdicts: Sequence[SlotVerdict]) -> Markup:
    ring, newest = group.ring, group.newest
    slots = [RingSlot(f"{hue(index)} {STATES[v.kind].css}", STATES[v.kind].shape) for v in verdicts]
    counts = Counter(v.kind for v in verdicts)
    words = ", ".join(f"{counts[k]} {k.value}" for k in SlotKind if counts[k])
    odd = [f"slot {v.slot.number} {v.kind.value}" for v in verdicts if not v.kind.sound]
    named = "; ".join(odd[:_MOST_NAMED]) + (" and more" if len(odd) > _MOST_NAMED else "")
    place = f"the newest is slot {newest.number}" if newest else "there is no record"
    label = f"Ring of {ring.group.name}: {words}; {place}" + (f"; {named}" if named else "")
    centre = (str(newest.record.sequence), "newest record") if newest else ("none", "no record")
    following = slot_of(newest.record.sequence + 1, ring.slots) if newest else 0
    return ring_picture(slots, label, centre, newest.number if newest else None, following)


# ---- Groups --------------------------------------------------------------------------------------


def _group(found: StoreExamination, places: Places, index: int, group: GroupContents) -> Facts:
    ring, name = group.ring, group.ring.group.name
    verdicts, wear = found.slots[name], found.wear[name]
    counts = Counter(v.kind for v in verdicts)
    return {
        "index": index, "letter": letter(index), "hue": hue(index), "name": name,
        "doc": prose(ring.group.doc), "role": ring.group.role.value,
        "ring": _ring(index, group, verdicts), "origin": origin_text(found.contents, group),
        "states": _states(counts),
        "newest": group.newest and {
            "slot": group.newest.number, "address": address_text(found.plan, group.newest.address),
            "sequence": group.newest.record.sequence},
        "odd": [_odd(found.plan, index, v) for v in verdicts if not v.kind.sound],
        "values": list(_values(places, group)),
        "docs": any(p.doc for p in ring.group.parameters),
        "wear": f"{wear.writes:,} of {wear.endurance:,.0f} writes of a slot, "
                f"{_share(wear.used)}; {left_text(wear)}",
        "used": used_up(wear.used), "per_day": number_text(ring.group.writes_per_day),
        **_history(found.histories[name]),
    }


def _share(used: float) -> str:
    return f"{used:.1%}" if used >= 0.001 or used == 0 else "under 0.1%"


def _odd(plan: Plan, index: int, verdict: SlotVerdict) -> Facts:
    return {"slot": verdict.slot.number, "kind": verdict.kind.value,
            "shape": STATES[verdict.kind].shape, "key": f"s{index}-{verdict.slot.number}",
            "address": address_text(plan, verdict.slot.address), "reason": verdict.reason,
            "repair": mend_text(verdict)}


def _values(places: Places, group: GroupContents) -> Iterator[Facts]:
    """Yield the parameters with their values, checks, and where the bytes are."""
    keys = {} if group.newest is None else {
        thing.field.name: thing.key
        for run in places.region_at(group.newest.address).runs for thing in run.things
        if thing.field is not None}
    for parameter in group.ring.group.parameters:
        remarks = value_remarks(group, parameter)
        wrong = group.reset_of(parameter) is not None
        own = [keys[f.name] for f in parameter.fields if f.name in keys]
        yield {
            "name": parameter.name, "value": value_text(parameter, group.values),
            "allowed": "; ".join(f"{f.name.rpartition('.')[2]} {allowed_text(f)}"
                                 for f in parameter.fields) if len(parameter.fields) > 1
            else allowed_text(parameter.first),
            "doc": prose(parameter.doc), "wrong": wrong,
            "check": ", ".join(remarks) or ("within limits" if group.newest else "default"),
            "keys": own, "target": f"b{own[0]}" if own else None,
        }


def _history(history: CommitHistory) -> Facts:
    commits = [{"numbers": numbers_text(c), "revision": c.revision, "first": i == 0, "changes": [
        {"name": x.parameter.name, "before": value_text(x.parameter, x.before),
         "after": value_text(x.parameter, x.after)} for x in c.changes]}
        for i, c in enumerate(history.commits)][::-1]
    missing = [f"{a}" if a == b else f"{a} to {b}" for a, b in history.missing]
    return {"commits": commits[:_MOST_COMMITS], "earlier": commits[_MOST_COMMITS:],
            "missing": missing, "twice": list(history.twice)}
