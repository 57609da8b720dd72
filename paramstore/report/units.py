"""Units on record: a list, plain data, and the record of one unit, to print."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from paramstore.core.scalars import GroupRaws, StoreRaws
from paramstore.core.text import JsonObject
from paramstore.core.words import plural
from paramstore.production.export import UnitValues, event_words, last_event, raws_on_record
from paramstore.production.held import HeldGroup, read_held
from paramstore.production.records import BEGIN, CHANGE, ERASE, VERIFY, WRITE, UnitRecord
from paramstore.report.image import plain_value
from paramstore.report.pages.frame import finished
from paramstore.report.tables import Column, table
from paramstore.report.wording import SERVED_DEFAULTS
from paramstore.schema.from_raw import Physical, format_value
from paramstore.schema.model import Group, Kind, Parameter, Role
from paramstore.schema.to_raw import parameter_to_raw

if TYPE_CHECKING:
    from paramstore.core.templates import Template

__all__ = ["record_html", "units_data", "units_text"]

_EVENTS = {BEGIN: "writing began", WRITE: "written and read back", VERIFY: "compared",
           CHANGE: "given other values", ERASE: "erased"}
_DIGEST = 12
"""Digits of a digest that are shown in a list."""


def units_text(units: Sequence[UnitRecord]) -> str:
    """Return a table of units, and how many there are."""
    columns = [Column("serial", right=False), Column("batch", right=False), Column("row"),
               Column("allotted", right=False), Column("image", "SHA-256", right=False),
               Column("written", right=False), Column("verified", right=False)]
    rows = [[
        unit.serial, unit.image.batch, str(unit.image.row or ""), unit.allotted,
        unit.image.sha256[:_DIGEST] or "not made",
        _result(unit, WRITE), _result(unit, VERIFY),
    ] for unit in units]
    lines = table(columns, rows) if rows else []
    return "\n".join([*lines, plural(len(units), "unit")]) + "\n"


def units_data(units: Sequence[UnitValues]) -> list[JsonObject]:
    """Return units as plain data for JSON, with the values of their latest images."""
    return [{
        "serial": item.unit.serial,
        "batch": item.unit.image.batch,
        "row": item.unit.image.row or None,
        "allotted": item.unit.allotted,
        "store": item.plan.schema.name,
        "release": item.plan.release,
        "layout_id": item.plan.layout_id,
        "images": [{"batch": i.batch, "row": i.row or None, "sha256": i.sha256 or None,
                    "packed": i.packed or None} for i in item.unit.images],
        "events": [{"at": e.at, "what": e.what, "good": e.good, "detail": e.detail,
                    "sha256": e.sha256 or None} for e in item.unit.events],
        "held": _held_data(item),
        "values": {group: {name: plain_value(value) for name, value in values.items()}
                   for group, values in item.values.items()},
        "without_record": list(item.without),
        "defaults_among_values": {
            group: [name for name in values if (group, name) in item.left_out]
            for group, values in item.values.items()
            if any(g == group for g, _ in item.left_out)},
    } for item in units]


def record_html(item: UnitValues) -> str:
    """Return the record of a unit: one page without anything from outside."""
    unit, schema, image = item.unit, item.plan.schema, item.unit.image
    held = read_held(unit.last_reading.held) if unit.last_reading else {}
    raws = raws_on_record(item)
    return _template().render(
        store=schema.name, doc=schema.doc, serial=unit.serial, sha256=image.sha256 or "not made",
        facts=[
            ("Serial number", unit.serial), ("Batch", image.batch), ("Allotted", unit.allotted),
            ("Image made", image.packed or "no"), ("EEPROM", item.plan.part.name),
            ("Layout", f"0x{item.plan.layout_id:08X}, "
             + (f"release {item.plan.release}" if item.plan.release else "not released")),
        ],
        groups=[_group(g, item, held.get(g.name), raws.get(g.name, {})) for g in schema.groups
                if g.role in (Role.IDENTITY, Role.CALIBRATION)],
        events=[{"at": e.at, "what": _EVENTS[e.what] + (
                    ", another image of this unit" if e.what in (WRITE, VERIFY, BEGIN)
                    and e.sha256 not in ("", image.sha256) else ""),
                 "good": e.good or e.what == BEGIN,
                 "result": e.detail if e.what == BEGIN else
                 ("good" if e.good else "failed") + f": {e.detail}"} for e in unit.events],
        remarks=list(_remarks(item, held, raws)),
    )


@lru_cache
def _template() -> Template:
    from paramstore.core.templates import template_environment

    return template_environment("paramstore.report", html=finished, trim=False).get_template(
        "unit_record.html.in")


def _remarks(item: UnitValues, held: Mapping[str, HeldGroup],
             raws: StoreRaws) -> Iterator[str]:
    """Yield what is not as the image of a unit says, or not known."""
    last, unknown = item.unit.touched, "what the unit holds is not known."
    if last is not None and last.what == ERASE:
        yield f"The unit is no more what this sheet says: {last.detail}."
    elif not held and last is not None and last.what == BEGIN:
        yield f"A write to the unit began, and its end is not on record: {unknown}"
    elif not held:
        yield ("No write or comparison on record tells what the unit holds." if last is None else
               f"The unit was not read after what the table above says: {unknown}")
    for group in item.plan.schema.groups if held and (last is None or last.what != ERASE) else ():
        there, protected = held.get(group.name), group.role.protected
        if protected and (there is None or not there.raws):
            yield f"The unit has no record of {group.name}: it serves defaults there."
        elif there is not None and there.raws and _unlike(there, raws.get(group.name, {})):
            yield f"The unit holds other values of {group.name} than its image" + (
                ", as shown above." if protected else ".")
        if there is not None and there.raws and not there.whole:
            yield f"The unit has {there.copies} of {there.wanted} copies of {group.name}."


def _unlike(there: HeldGroup, raws: GroupRaws) -> bool:
    return not raws or any(raws[n] != value for n, value in there.raws.items() if n in raws)


def _held_data(item: UnitValues) -> JsonObject | None:
    """Return what the part of a unit holds as far as it is known."""
    if item.unit.last_reading is None:
        return None
    raws = raws_on_record(item)
    return {name: {"record": bool(of.raws), "copies": of.copies, "wanted": of.wanted,
                   "as_image": bool(of.raws) and not _unlike(of, raws.get(name, {}))}
            for name, of in read_held(item.unit.last_reading.held).items()}


def _group(group: Group, item: UnitValues, held: HeldGroup | None,
           raws: GroupRaws) -> JsonObject:
    without = SERVED_DEFAULTS if group.name in item.without else ""
    return {"name": group.name, "doc": group.doc, "without": without, "rows": [
        {"name": p.name, "doc": p.doc,
         "value": _value(p, item.values[group.name][p.name]) if group.name in item.values else "",
         "default": (group.name, p.name) in item.left_out,
         "held": _other(p, held.raws, raws) if held and held.raws else "",
         "own": (group.name, p.name) in item.own,
         "given": _given_by(group, p, item)}
        for p in group.parameters]}


def _given_by(group: Group, parameter: Parameter, item: UnitValues) -> str:
    """Return for which units the value of a parameter was given."""
    where = group.name, parameter.name
    if group.name in item.without or (where in item.left_out and where not in item.own):
        return "not given"
    return "this unit" if where in item.own else "all units"


def _other(parameter: Parameter, there: GroupRaws,
           raws: GroupRaws) -> str:
    """Return what the part holds of a parameter, "" if that is what the image has."""
    fields = parameter.fields
    if (any(len(there.get(f.name, ())) != f.count for f in fields)
            or all(there[f.name] == raws.get(f.name) for f in fields)):
        return ""
    return "; ".join((f"{f.name.rpartition('.')[2]} " if parameter.kind is Kind.CURVE else "")
                     + format_value(f, there[f.name]) for f in fields)


def _value(parameter: Parameter, value: Physical) -> str:
    """Return a value as it is stored, with the digits and the unit of its schema."""
    if parameter.kind is Kind.TEXT:
        return str(value)
    raws = {name: c.raws for name, c in parameter_to_raw(parameter, value).items()}
    return "; ".join(
        (f"{f.name.rpartition('.')[2]} " if parameter.kind is Kind.CURVE else "")
        + format_value(f, raws[f.name]) for f in parameter.fields)


def _result(unit: UnitRecord, what: str) -> str:
    event = last_event(unit, what)
    return "" if event is None else f"{event_words(event)} {event.at}"
