"""The page of a fixed layout, and of a dump of one: what lies where, its values, every byte.

Words that the text report has too are taken from there.
"""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.core.errors import Severity
from paramstore.core.words import plural
from paramstore.inspect.fixed import FixedExamination
from paramstore.inspect.fixed_places import FixedPlaces
from paramstore.inspect.regions import Thing, ThingState
from paramstore.report.findings import count_line
from paramstore.report.fixed import (
    condition_text,
    copies_text,
    copy_text,
    limits_text,
    type_text,
)
from paramstore.report.pages.byte_view import areas
from paramstore.report.pages.dump import finding_facts, read_facts
from paramstore.report.pages.frame import Facts, prose, render
from paramstore.report.pages.states import shape_definitions
from paramstore.report.pages.strips import Bead, Row, hue, strip
from paramstore.report.things import UNDER, check_verdict, thing_value
from paramstore.schema.bits import show_place
from paramstore.schema.fixed.found import GroupPresence
from paramstore.schema.fixed.model import Checksum, FixedGroup, FixedLayout, PlacedParameter

__all__ = ["fixed_page", "layout_page"]


def layout_page(layout: FixedLayout) -> str:
    """Return the layout as a whole HTML page."""
    return _page(layout, "Fixed layout", FixedPlaces(layout), None)


def fixed_page(found: FixedExamination) -> str:
    """Return what a dump of a fixed layout says as a whole HTML page."""
    return _page(found.schema, "What a dump says", FixedPlaces(found.schema, found), found)


def _page(layout: FixedLayout, kind: str, places: FixedPlaces,
          found: FixedExamination | None) -> str:
    digits = max(4, len(f"{layout.size - 1:X}"))
    size = ("Layout" if found else "Size", plural(layout.size, "byte"))
    groups, absent = list(enumerate(layout.groups)), []
    if found:
        there = [g.group for g in found.contents.groups if g.presence is GroupPresence.THERE]
        names = {g.declared for g in there}
        absent = list(dict.fromkeys(g.declared for g in layout.groups if g.declared not in names))
        groups = [(number, found.contents.group(g.name).group) for number, g in groups
                  if g.name in {t.name for t in there}]
    return render(
        "dump", f"{layout.name}: {'what a dump says' if found else 'what lies where'}",
        kind=kind, store=layout.name, doc=prose(layout.doc), shapes=shape_definitions(),
        facts=read_facts(found, size) if found else [size], dump=bool(found),
        verdict=_verdict(found) if found else "", findings=finding_facts(found) if found else [],
        address=lambda a: f"0x{a:0{digits}X}", rows=_byte_map(places), pages=None,
        groups=[_group(layout, number, group, places, found) for number, group in groups],
        absent=", ".join(absent), areas=list(areas(places)) if found else [])


def _verdict(found: FixedExamination) -> str:
    if not found.holds_values:
        return "The dump is erased: there are no values in it."
    if not found.findings:
        return "Everything is in order."
    errors = any(f.severity is Severity.ERROR for f in found.findings)
    lead = "Something is wrong" if errors else "Nothing is wrong"
    return f"{lead}: {count_line(found.findings)}."


# ---- Groups --------------------------------------------------------------------------------------


def _group(layout: FixedLayout, number: int, group: FixedGroup, places: FixedPlaces,
           found: FixedExamination | None) -> Facts:
    placed: tuple[PlacedParameter | Checksum, ...] = (*group.items, *group.checks)
    rows = [_row(each, places.things[group.name, each.name]) for each in placed]
    return {"index": number, "name": group.name, "letter": number + 1, "hue": hue(number),
            "values": rows, "doc": prose(group.doc),
            "when": condition_text(group) if group.condition else "",
            "standing": copy_text(found.contents, found.contents.group(group.name)) if found else
            "" if group.copy_number is None else copies_text(layout, group),
            "docs": any(row["doc"] for row in rows)}


_CHECKED = {ThingState.ERASED: "erased", ThingState.UNSET: "no value",
            ThingState.UNREAD: "not in the dump"}
"""What is said of a thing without a value."""


def _row(placed: PlacedParameter | Checksum, thing: Thing) -> Facts:
    """Return a parameter or a checksum as a row of a table."""
    wrong = thing.state is not None and thing.state.wrong
    facts: Facts = {"keys": [thing.key], "name": placed.name, "target": None, "wrong": wrong,
                    "value": thing_value(thing)}
    if isinstance(placed, Checksum):
        return facts | {
            "type": "checksum", "where": show_place(placed.place), "doc": prose(placed.doc),
            "allowed": f"over {plural(len(placed.over), 'byte')}",
            "check": check_verdict(thing.check) if thing.check else "not in the dump"}
    sound = UNDER if thing.spoilt else "within limits" if placed.always is None else "right"
    check = "wrong" if wrong else _CHECKED.get(thing.state or ThingState.SOUND, sound)
    return facts | {
        "type": type_text(placed), "check": check, "doc": prose(placed.parameter.doc),
        "where": show_place(tuple(b for place in placed.places for b in place)),
        "allowed": limits_text(placed) or (
            f"in {placed.field.unit}" if placed.field.unit else "")}


# ---- Byte map ------------------------------------------------------------------------------------


def _byte_map(places: FixedPlaces) -> tuple[Row, ...]:
    """Return all bytes of a layout as rows; of a dump only groups that may be there.

    What is too small for a name has the number of its group, or a plus sign if several things have
    bits of it.
    """
    return strip(list(_beads(places)), places.size)


def _beads(places: FixedPlaces) -> Iterator[Bead]:
    blocks = list(dict.fromkeys(block.title for block in places.blocks()))
    for run in (run for region in places.regions for run in region.runs if run.things):
        number = blocks.index(run.things[0].title.partition(".")[0])
        size = run.end - run.first
        titles = [thing.title for thing in run.things]
        yield Bead(
            run.first, size, "+".join(title.partition(".")[2] for title in titles),
            "+" if len(titles) > 1 else str(number + 1),
            f"{'; '.join(titles)}: {plural(size, 'byte')}", f"field {hue(number)}",
            " ".join(thing.key for thing in run.things))
