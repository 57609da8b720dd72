"""Units on record: a list, plain data, and the calibration record of one unit, to print."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from paramstore.production.export import UnitValues, last_event
from paramstore.production.records import CHANGE, Unit
from paramstore.report.image import plain_value
from paramstore.report.tables import Column, table
from paramstore.schema.model import Group, Kind, Parameter, Role
from paramstore.schema.quantity import Physical, format_value, parameter_to_raw
from paramstore.schema.words import plural

__all__ = ["record_html", "units_data", "units_text"]

_EVENTS = {"write": "written and read back", "verify": "compared", CHANGE: "given other values"}
_DIGEST = 12
"""Digits of a digest that are shown in a list."""


def units_text(units: Sequence[Unit]) -> str:
    """Return a table of units, and how many there are."""
    columns = [Column("serial", right=False), Column("batch", right=False), Column("row"),
               Column("allotted", right=False), Column("image", "SHA-256", right=False),
               Column("written", right=False), Column("verified", right=False)]
    rows = [[
        unit.serial, unit.image.batch, str(unit.image.row or ""), unit.allotted,
        unit.image.sha256[:_DIGEST] or "not made",
        _result(unit, "write"), _result(unit, "verify"),
    ] for unit in units]
    lines = table(columns, rows) if rows else []
    return "\n".join([*lines, plural(len(units), "unit")]) + "\n"


def units_data(units: Sequence[UnitValues]) -> list[dict[str, Any]]:
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
        "values": {group: {name: plain_value(value) for name, value in values.items()}
                   for group, values in item.values.items()},
    } for item in units]


def record_html(item: UnitValues) -> str:
    """Return the calibration record of a unit: one page without anything from outside."""
    from jinja2 import Environment, StrictUndefined

    unit, schema, image = item.unit, item.plan.schema, item.unit.image
    ours = [e.sha256 in ("", image.sha256) for e in unit.events]
    good = [e.good and mine for e, mine in zip(unit.events, ours, strict=True)]
    last = len(good) - good[::-1].index(True) if any(good) else 0  # what came after it
    text = files("paramstore.report").joinpath("templates/unit_record.html.in").read_text("utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined,
                           keep_trailing_newline=True).from_string(text)
    return template.render(
        store=schema.name, doc=schema.doc, serial=unit.serial, sha256=image.sha256 or "not made",
        facts=[
            ("Serial number", unit.serial), ("Batch", image.batch), ("Allotted", unit.allotted),
            ("Image made", image.packed or "no"), ("EEPROM", item.plan.part.name),
            ("Layout", f"0x{item.plan.layout_id:08X}, "
             + (f"release {item.plan.release}" if item.plan.release else "not released")),
        ],
        groups=[_group(g, item) for g in schema.groups
                if g.role in (Role.IDENTITY, Role.CALIBRATION)],
        events=[{"at": e.at, "what": _EVENTS[e.what]
                 + ("" if mine or e.what == CHANGE else ", another image of this unit"),
                 "good": e.good, "result": ("good" if e.good else "failed") + f": {e.detail}"}
                for e, mine in zip(unit.events, ours, strict=True)],
        held=any(good), changed=CHANGE in [e.what for e in unit.events[last:]],
    )


def _group(group: Group, item: UnitValues) -> dict[str, Any]:
    return {"name": group.name, "doc": group.doc, "rows": [
        {"name": p.name, "value": _value(p, item.values[group.name][p.name]), "doc": p.doc,
         "own": (group.name, p.name) in item.own}
        for p in group.parameters]}


def _value(parameter: Parameter, value: Physical) -> str:
    """Return a value as it is stored, with the digits and the unit of its schema."""
    if parameter.kind is Kind.TEXT:
        return str(value)
    raws = {name: c.raws for name, c in parameter_to_raw(parameter, value).items()}
    return "; ".join(
        (f"{f.name.rpartition('.')[2]} " if parameter.kind is Kind.CURVE else "")
        + format_value(f, raws[f.name]) for f in parameter.fields)


def _result(unit: Unit, what: str) -> str:
    event = last_event(unit, what)
    return "" if event is None else f"{'good' if event.good else 'failed'} {event.at}"
