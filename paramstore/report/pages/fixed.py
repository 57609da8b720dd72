"""The page of a fixed layout, and of a dump of one: what lies where, its values, every byte.

Facts are from `decode.fixed`, words that the text report has too are taken from there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import Any

from paramstore.core.errors import Severity
from paramstore.core.format import ERASED
from paramstore.core.words import plural
from paramstore.inspect.fixed import FixedExamination, ItemState, item_state, spoilt_items
from paramstore.inspect.fixed_meaning import owners_by_address
from paramstore.report.findings import count_line
from paramstore.report.fixed import (
    UNDER,
    check_number,
    check_verdict,
    condition_text,
    copies_text,
    copy_text,
    item_value,
    limits_text,
    type_text,
)
from paramstore.report.fixed_bytes import ByteRun, byte_runs, thing_text
from paramstore.report.pages.byte_rows import Thing, byte_rows, plain_lines
from paramstore.report.pages.dump import finding_facts
from paramstore.report.pages.frame import Facts, prose, render
from paramstore.report.pages.page_map import hue
from paramstore.report.pages.states import shape_definitions
from paramstore.report.pages.strips import Bead, Row, strip
from paramstore.schema.fixed.found import Copy, FixedContents, FixedGroupContents, GroupPresence
from paramstore.schema.fixed.model import FixedGroup, FixedLayout, PlacedParameter, show_place

__all__ = ["fixed_page", "layout_page"]

_LONG = 64
"""Bytes without a meaning that are folded away, or told in a line if they are erased."""

Keys = Mapping[tuple[str, str], str]


def layout_page(layout: FixedLayout) -> str:
    """Return the layout as a whole HTML page."""
    keys = _keys(layout)
    return _page(
        layout, "Fixed layout", f"{layout.name}: what lies where",
        [("Size", plural(layout.size, "byte"))],
        groups=[_group(layout, g, keys) for g in layout.groups], absent="", dump=None,
        rows=_byte_map(layout, keys))


def fixed_page(found: FixedExamination) -> str:
    """Return what a dump of a fixed layout says as a whole HTML page."""
    layout, keys = found.schema, _keys(found.schema)
    there = [g for g in found.contents.groups if g.presence is GroupPresence.THERE]
    names = {g.group.declared for g in there}
    absent = dict.fromkeys(g.group.declared for g in found.contents.groups
                           if g.group.declared not in names)
    gaps = sum(end - first for first, end in found.dump.gaps)
    findings = sorted(found.findings, key=lambda f: (f.severity is not Severity.ERROR, *f.sort_key))
    return _page(
        layout, "What a dump says", f"{layout.name}: what a dump says",
        [("File", found.reading.source.path), ("Read as", found.reading.title),
         ("Schema", found.name), ("Layout", plural(layout.size, "byte")),
         ("In the dump", plural(len(found.contents.image) - gaps, "byte")
          + (f", {gaps} missing" if gaps else ""))],
        groups=[_group(layout, g.group, keys, found.contents) for g in there],
        absent=", ".join(absent), rows=_byte_map(layout, keys, found.contents),
        dump={"verdict": _verdict(found), "findings": [finding_facts(f) for f in findings],
              "blocks": list(_blocks(found, keys))})


def _page(layout: FixedLayout, kind: str, title: str, facts: list[tuple[str, str]],
          **more: Any) -> str:
    digits = max(4, len(f"{layout.size - 1:X}"))
    return render("fixed", title, kind=kind, name=layout.name, doc=prose(layout.doc), facts=facts,
                  shapes=shape_definitions(), address=lambda a: f"0x{a:0{digits}X}", **more)


def _verdict(found: FixedExamination) -> str:
    if not found.holds_values:
        return "The dump is erased: there are no values in it."
    if not found.findings:
        return "Everything is in order."
    errors = any(f.severity is Severity.ERROR for f in found.findings)
    lead = "Something is wrong" if errors else "Nothing is wrong"
    return f"{lead}: {count_line(found.findings)}."


def _keys(layout: FixedLayout) -> dict[tuple[str, str], str]:
    """Return what joins a parameter or checksum with its bytes, by group and name."""
    things = [(g.name, name) for g in layout.groups
              for name in (*(i.name for i in g.items), *(c.name for c in g.checks))]
    return {thing: f"t{number}" for number, thing in enumerate(things)}


# ---- Groups --------------------------------------------------------------------------------------


def _group(layout: FixedLayout, group: FixedGroup, keys: Keys,
           contents: FixedContents | None = None) -> Facts:
    found = contents.group(group.name) if contents else None
    number = next(n for n, each in enumerate(layout.groups) if each.name == group.name)
    spoilt = spoilt_items(contents, group) if contents else frozenset()
    rows = [*_items(group, keys, found, spoilt), *_checks(group, keys, found)]
    return {"name": group.name, "letter": number + 1, "hue": hue(number), "rows": rows,
            "doc": prose(group.doc), "when": condition_text(group) if group.condition else "",
            "standing": copy_text(contents, found) if contents and found else
            "" if group.copies is None else copies_text(layout, group),
            "docs": any(row["doc"] for row in rows)}


_CHECKED = {ItemState.ERASED: "erased", ItemState.UNSET: "no value",
            ItemState.UNREAD: "not in the dump"}
"""What is said of a parameter without a value."""


def _items(group: FixedGroup, keys: Keys,
           found: FixedGroupContents | None,
           spoilt: frozenset[str]) -> Iterator[Facts]:
    for item in group.items:
        state = item_state(found, item) if found else ItemState.UNREAD
        sound = UNDER if item.name in spoilt else (
            "within limits" if item.always is None else "right")
        if found and found.copy is Copy.ERASED:
            state = ItemState.ERASED
        check = "wrong" if state.wrong else _CHECKED.get(state, sound)
        yield {
            "key": keys[group.name, item.name], "name": item.name, "type": type_text(item),
            "where": show_place(tuple(b for place in item.places for b in place)),
            "value": item_value(found, item) if found else "",
            "allowed": _allowed(item), "wrong": state.wrong, "check": check,
            "doc": prose(item.parameter.doc)}


def _allowed(item: PlacedParameter) -> str:
    return limits_text(item) or (f"in {item.field.unit}" if item.field.unit else "")


def _checks(group: FixedGroup, keys: Keys,
            found: FixedGroupContents | None) -> Iterator[Facts]:
    results = {r.check.name: r for r in found.checks} if found else {}
    for check in group.checks:
        result = results.get(check.name)
        yield {
            "key": keys[group.name, check.name], "name": check.name, "type": "checksum",
            "where": show_place(check.place),
            "value": check_number(result, result.stored) if result else "",
            "allowed": f"over {plural(len(check.over), 'byte')}",
            "wrong": result is not None and not result.right, "doc": prose(check.doc),
            "check": check_verdict(result) if result else "not in the dump"}


# ---- Bytes ---------------------------------------------------------------------------------------


def _blocks(found: FixedExamination, keys: Keys) -> Iterator[Facts]:
    """Yield the bytes in blocks; long stretches without a meaning are blocks of their own."""
    together: list[ByteRun] = []
    for run in byte_runs(found):
        if run.things or run.end - run.first <= _LONG:
            together.append(run)
            continue
        if together:
            yield _rows(found, keys, together)
            together = []
        yield _nothing(found.contents.image, run)
    if together:
        yield _rows(found, keys, together)


def _rows(found: FixedExamination, keys: Keys, runs: list[ByteRun]) -> Facts:
    counts: Counter[str] = Counter()
    things = []
    for number, run in enumerate(runs):
        counts.update(f"{a}.{b}" for a, b in run.things)
        named = [(f"{group}.{name}", thing_text(found, group, name)) for group, name in run.things]
        key = " ".join(keys[thing] for thing in run.things) or f"n{run.first}"
        look = "field even" if number % 2 else "field"
        things.append(Thing(
            run.first, run.end - run.first, key, "; ".join(n for n, _ in named) or run.told,
            "; ".join(v for _, v in named if v), look if run.things else "room"))
    first, end = runs[0].first, runs[-1].end
    return {"kind": "rows", "id": f"b{first}", "title": plural(end - first, "byte"),
            "first": f"0x{first:04X}", "state": plural(len(counts), "thing"), "css": "",
            "shape": "", "reason": "", "repair": "", "anchors": "",
            "rows": byte_rows(found.contents.image, things, gaps=found.dump.gaps)}


def _nothing(image: bytes, run: ByteRun) -> Facts:
    where = f"0x{run.first:04X} to 0x{run.end - 1:04X}: {run.told}"
    if image.count(ERASED, run.first, run.end) == run.end - run.first:
        return {"kind": "line", "text": f"{where}, erased"}
    return {"kind": "plain", "title": where, "lines": plain_lines(image, run.first, run.end, 4)}


# ---- Byte map ------------------------------------------------------------------------------------


def _byte_map(layout: FixedLayout, keys: Keys,
             contents: FixedContents | None = None) -> tuple[Row, ...]:
    """Return all bytes of a layout as rows; with contents only groups that may be there.

    `keys` join a parameter or checksum with whatever else shows it. What is too small for a name
    has the number of its group, or a plus sign if several things have bits of it.
    """
    owners = owners_by_address(layout, contents)
    numbers = {g.name: i for i, g in enumerate(layout.groups)}
    beads = []
    for names, run in groupby(range(layout.size), lambda a: tuple(dict.fromkeys(
            (o.group.name, o.thing.name) for o in owners.get(a, ())))):
        if not names:
            continue
        addresses, number = list(run), numbers[names[0][0]]
        beads.append(Bead(
            addresses[0], len(addresses), "+".join(name for _, name in names),
            "+" if len(names) > 1 else str(number + 1),
            f"{'; '.join(map('.'.join, names))}: {plural(len(addresses), 'byte')}",
            f"field {hue(number)}", " ".join(keys[name] for name in names)))
    return strip(beads, layout.size)
