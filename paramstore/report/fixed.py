"""What a dump of a fixed layout holds, and the layout itself, in text and as data.

Words the facts of `inspect.fixed`; findings are laid out like all others.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from operator import itemgetter

from paramstore.core.text import JsonObject, one_line
from paramstore.core.words import address_range, plural
from paramstore.image.values_out import values_toml
from paramstore.inspect.fixed import (
    FixedExamination,
    holes_of,
    spoilt_items,
    wrong_in,
)
from paramstore.inspect.fixed_places import FixedPlaces
from paramstore.inspect.regions import ThingKind
from paramstore.report.findings import Style, no_style
from paramstore.report.image import plain_value
from paramstore.report.tables import Column, named_lines, table
from paramstore.report.things import thing_text
from paramstore.report.wording import allowed_text
from paramstore.schema.bits import NoValue, Place, place_bytes, place_width, show_place
from paramstore.schema.fixed.coding import Coding
from paramstore.schema.fixed.found import Copy, FixedContents, FixedGroupContents, GroupPresence
from paramstore.schema.fixed.model import FixedGroup, FixedLayout, PlacedParameter, Relation
from paramstore.schema.from_raw import element_from_raw, format_value, from_raw
from paramstore.schema.model import Kind

__all__ = ["condition_text", "copies_text", "copy_text", "fixed_data", "fixed_plan_data",
           "fixed_plan_text", "fixed_text", "fixed_toml", "limits_text", "summary", "type_text"]


def summary(layout: FixedLayout) -> str:
    """Return in a line what a layout has."""
    parameters = sum(len(g.items) for g in layout.groups)
    checks = sum(len(g.checks) for g in layout.groups)
    return (f"{layout.name}: {plural(len(layout.groups), 'group')}, "
            f"{plural(parameters, 'parameter')} and {plural(checks, 'checksum')} in "
            f"{plural(layout.size, 'byte')}")


# ---- Contents -----------------------------------------------------------------------------------


def fixed_text(found: FixedExamination, style: Style = no_style) -> str:
    """Return what a dump of a layout says, findings left out, lines ended by \\n."""
    contents, places = found.contents, FixedPlaces(found.schema, found)
    lines = [f"{contents.layout.name}: {plural(contents.layout.size, 'byte')} at fixed places"]
    for group in contents.groups:
        if group.presence is GroupPresence.THERE:
            lines += ["", *_group(places, contents, group, style)]
    there = {g.group.declared for g in contents.groups if g.presence is GroupPresence.THERE}
    absent = dict.fromkeys(g.group.declared for g in contents.groups
                           if g.presence is GroupPresence.ABSENT and g.group.declared not in there)
    cut = [g.group.name for g in contents.groups if g.presence is GroupPresence.CUT]
    tail = [(presence.value, ", ".join(names))
            for presence, names in (
                (GroupPresence.ABSENT, absent), (GroupPresence.CUT, cut)) if names]
    holes = [address_range(first, end) for first, end in holes_of(contents)]
    if holes:
        tail.append(("not described", ", ".join(holes)))
    return "\n".join([*lines, *([""] if tail else []), *named_lines(tail)]) + "\n"


def _group(places: FixedPlaces, contents: FixedContents, found: FixedGroupContents,
           style: Style) -> Iterator[str]:
    doc = f"  {one_line(found.group.doc)}" if found.group.doc else ""
    copy = copy_text(contents, found)
    yield style(found.group.name, "fact") + doc + (f"  ({copy})" if copy else "")
    rows = [(name, thing_text(thing)) for (group, name), thing in places.things.items()
            if group == found.group.name
            and (thing.kind is ThingKind.FIELD or found.copy is not Copy.ERASED)]
    yield from named_lines([(name, text) for name, text in rows if text])


def copy_text(contents: FixedContents, found: FixedGroupContents) -> str:
    """Return which copy of a group a block is, and whether it counts; "" if it is none."""
    if found.copy is None:
        return ""
    blocks = contents.blocks(found.group.declared)
    return f"copy {found.group.block} of {len(blocks)}, {found.copy}"


def fixed_toml(contents: FixedContents) -> str:
    """Return the values as a values file; what is not there is left out."""
    there = {g.group.name: g.values for g in contents.groups if g.values}
    groups = tuple(g.group for g in contents.groups)  # with the scales that the dump holds
    return values_toml(replace(contents.layout, groups=groups), there)


def fixed_data(found: FixedExamination) -> JsonObject:
    """Return the same as plain data for JSON; NaN and infinities become None."""
    contents = found.contents
    return {
        "layout": contents.layout.name,
        "image_bytes": len(contents.image),
        "not_described": [list(hole) for hole in holes_of(contents)],
        "groups": [_group_data(contents, g) for g in contents.groups],
    }


def _group_data(contents: FixedContents, found: FixedGroupContents) -> JsonObject:
    spoilt = spoilt_items(contents, found.group)
    return {
        "name": found.group.name,
        "address": found.group.at,
        "presence": found.presence.value,
        "copy": found.copy and found.copy.value,
        "values": {
            item.name: {
                "value": plain_value(from_raw(item.field, found.values[item.name])),
                "unit": item.field.unit,
                "raw": [plain_value(raw) for raw in found.values[item.name]],
                "wrong": list(wrong_in(found.group, item, found.values[item.name])),
                "under_wrong_checksum": item.name in spoilt,
            } for item in found.group.items if item.name in found.values
        },
        "unset": sorted(found.unset),
        "no_values": {
            name: [{"stored": e.stored, "lacks": e.lacks} if isinstance(e, NoValue) else
                   {"value": plain_value(element_from_raw(found.group.item(name).field, e))}
                   for e in elements] for name, elements in found.faulty.items()
        },
        "checks": [
            {"name": r.check.name, "stored": r.stored, "computed": r.computed, "right": r.right}
            for r in found.checks
        ],
    }


# ---- Layout -------------------------------------------------------------------------------------

_COLUMNS = (Column("place", right=False), Column("bits"), Column("name", right=False),
            Column("type", right=False), Column("unit", right=False),
            Column("values", right=False))
_MOST_MEMBERS = 6


def fixed_plan_text(layout: FixedLayout) -> str:
    """Return where everything lies, lines ended by \\n."""
    lines = [summary(layout)]
    if layout.doc:
        lines.append(one_line(layout.doc))
    rows = [row for group in layout.groups for _, row in sorted(_rows(group), key=itemgetter(0))]
    lines += ["", *table(_COLUMNS, rows)]
    conditions = [(g.name, condition_text(g)) for g in layout.groups if g.condition]
    if conditions:
        lines += ["", "Groups that are there only at times", *named_lines(conditions)]
    copies = {g.declared: copies_text(layout, g) for g in layout.groups
              if g.copy_number is not None}
    if copies:
        lines += ["", "Groups that are stored several times", *named_lines(list(copies.items()))]
    return "\n".join(lines) + "\n"


def copies_text(layout: FixedLayout, group: FixedGroup) -> str:
    """Return how many copies a group has, and which one counts."""
    counts = f"the right one with the newest {group.copy_number}" if group.copy_number else (
        "the first right one")
    return f"{len(layout.blocks(group.declared))} copies, {counts} counts"


def condition_text(group: FixedGroup) -> str:
    """Return when a group that has a condition is there."""
    condition = group.condition
    assert condition is not None
    digits = -(-place_width(condition.place) // 4)
    word = {Relation.IS: "is", Relation.NOT: "is not", Relation.ABOVE: "is above"}
    return (f"if {show_place(condition.place)} {word[condition.relation]} "
            f"0x{condition.number:0{digits}X}")


def _rows(group: FixedGroup) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield (first address, row) of all that a group has."""
    for item in group.items:
        place = tuple(bits for place in item.places for bits in place)
        yield place_bytes(place)[0], (
            show_place(place), str(place_width(place)), f"{group.name}.{item.name}",
            type_text(item), item.field.unit, limits_text(item))
    for check in group.checks:
        kind = check.kind.value.replace("_", " to ") if check.crc is None else (
            f"CRC of 0x{check.crc.polynomial:X}")
        yield place_bytes(check.place)[0], (
            show_place(check.place), str(place_width(check.place)), f"{group.name}.{check.name}",
            "checksum", "", f"{kind} over {plural(len(check.over), 'byte')}")


def type_text(item: PlacedParameter) -> str:
    """Return the type of a parameter, as its schema calls it."""
    field = item.field
    name = field.scalar.name if field.kind in (Kind.INTEGER, Kind.FLOAT) else field.kind.value
    if item.alphabet is not None:
        name = "letters"
    if item.coding is not Coding.PLAIN:
        name = f"{name} {_CODINGS[item.coding]}"
    return f"{name}[{field.count}]" if field.array else name


_CODINGS = {Coding.BCD: "in BCD", Coding.UNIX: "in Unix time", Coding.PACKED: "packed"}


def limits_text(item: PlacedParameter) -> str:
    """Return what a parameter may be, where the schema says more than its type."""
    field = item.field
    if item.always is not None:
        return f"always {format_value(field, item.always)}"
    every = field.kind is Kind.FLOAT and field.limits.ranges == (
        (field.scalar.minimum, field.scalar.maximum),)
    numbers = field.kind in (Kind.INTEGER, Kind.FLOAT, Kind.DATE) and field.limits.ranges
    told = [allowed_text(field, _MOST_MEMBERS)] if field.members or (numbers and not every) else []
    if item.scale_from is not None:
        source, base = item.scale_from.name, item.scale_from.base
        told.append(f"times {source}" if base is None else f"times {base} to the {source}")
    if item.no_value is not None:
        width = place_width(item.places[0])
        told.append(f"0x{item.no_value:0{-(-width // 4)}X} for none")
    return "; ".join(told)


def fixed_plan_data(layout: FixedLayout) -> JsonObject:
    """Return the layout as plain data for JSON; pieces have the highest bits first."""
    return {
        "layout": layout.name,
        "size": layout.size,
        "groups": [
            {
                "name": g.name,
                "address": g.at,
                "when": None if g.condition is None else {
                    "bits": _pieces(g.condition.place), "number": g.condition.number,
                    "relation": g.condition.relation.value},
                "copies": g.copy_number,
                "parameters": [
                    {"name": i.name, "type": type_text(i), "unit": i.field.unit,
                     "elements": [_pieces(place) for place in i.places]} for i in g.items
                ],
                "checks": [
                    {"name": c.name, "type": c.kind.value, "bits": _pieces(c.place),
                     "over": list(c.over)} for c in g.checks
                ],
            } for g in layout.groups
        ],
    }


def _pieces(place: Place) -> list[dict[str, int]]:
    return [{"address": b.address, "low": b.low, "width": b.width} for b in place]


