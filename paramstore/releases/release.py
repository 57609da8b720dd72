"""A release as data: a Plan written down completely, and the Plan again.

The data are plain lists, dicts, texts and numbers for a JSON file. Numbers that must be exact,
scales for one, are texts. Knows no file and no history.
"""

from __future__ import annotations

from dataclasses import asdict
from decimal import Decimal
from typing import Any, TypedDict

from paramstore.core.checksum import crc32c
from paramstore.core.scalars import SCALARS, Raw
from paramstore.layout.layout_id import layout_id, plain_decimal
from paramstore.layout.plan import PlacedField, Plan, Reserved, Ring
from paramstore.schema.model import (
    Convert,
    Field,
    Group,
    Kind,
    Parameter,
    Role,
    Schema,
    ValueLimits,
)
from paramstore.schema.part import Part, WriteProtect

__all__ = ["PlanData", "ReleaseData", "plan_from_data", "plan_to_data"]

_USE = ("address", "bus_khz", "supply_v", "temperature_c", "life_years")


class _ConvertData(TypedDict):
    factor: str
    divisor: str
    offset: str
    names: list[list[str]]


class _FieldData(TypedDict):
    name: str
    offset: int
    since: int
    type: str
    count: int
    array: bool
    unit: str
    scale: str
    zero: str
    digits: int | None
    default: list[Raw]
    ranges: list[list[Raw]]
    mask: int | None
    rising: bool
    members: list[tuple[str, int]]
    convert: _ConvertData | None


class _ParameterData(TypedDict):
    name: str
    kind: str
    was: str | None
    below: str | None
    doc: str
    fields: list[_FieldData]


class _ReservedData(TypedDict):
    name: str
    offset: int
    since: int
    default: str


class _RingData(TypedDict):
    name: str
    id: int
    was: str | None
    role: str
    writes_per_day: float
    copies: int
    doc: str
    revision: int
    first_page: int
    slots: int
    slot_pages: int
    body: int
    parameters: list[_ParameterData]
    reserved: list[_ReservedData]


class PlanData(TypedDict):
    """A plan as a release file has it; `part` has the keys of `Part`, `use` those of the store."""

    store: str
    doc: str
    series: int
    before: int
    layout_id: int
    part: dict[str, Any]
    use: dict[str, Any]
    groups: list[_RingData]
    retired_groups: list[_RingData]


class ReleaseData(PlanData):
    """The content of a release file."""

    paramstore_release: int
    release: int
    note: str
    previous: str | None
    digest: str


def plan_to_data(plan: Plan) -> PlanData:
    """Return everything that `plan_from_data` needs, without the number of the release."""
    schema = plan.schema
    return {
        "store": schema.name,
        "doc": schema.doc,
        "series": plan.series,
        "before": plan.previous_layout_id,
        "layout_id": plan.layout_id,
        "part": {k: v for k, v in asdict(plan.part).items() if k not in ("sources", "note")},
        "use": {name: getattr(schema, name) for name in _USE},
        "groups": [_ring_data(ring) for ring in plan.rings],
        "retired_groups": [_ring_data(ring) for ring in plan.retired],
    }


def plan_from_data(data: PlanData, release: int) -> Plan:
    """Return the plan of a release, without its `migrations` and `lineage`.

    KeyError, TypeError or ValueError if `data` is not what `plan_to_data` gives.
    """
    stored = data["part"]
    points = {name: tuple((a, b) for a, b in stored[name]) for name in ("endurance", "clocks")}
    part = Part(**{**stored, **points, "write_protect": WriteProtect(stored["write_protect"])})
    rings = tuple(_ring(r, part) for r in data["groups"])
    schema = Schema(data["store"], part, tuple(r.group for r in rings), doc=data["doc"],
                    series=data["series"],
                    **{name: data["use"][name] for name in _USE})
    return Plan(schema, rings, crc32c(schema.name.encode()),
                layout_id(part, rings, data["before"]), release,
                tuple(_ring(r, part) for r in data["retired_groups"]))


# ---- To data ------------------------------------------------------------------------------------


def _ring_data(ring: Ring) -> _RingData:
    group = ring.group
    return {
        "name": group.name,
        "id": group.id,
        "was": group.was,
        "role": group.role.value,
        "writes_per_day": group.writes_per_day,
        "copies": group.copies,
        "doc": group.doc,
        "revision": ring.revision,
        "first_page": ring.first_page,
        "slots": ring.slots,
        "slot_pages": ring.slot_pages,
        "body": ring.body_bytes,
        "parameters": [_parameter_data(ring, p) for p in group.parameters],
        "reserved": [{"name": r.name, "offset": r.offset, "since": r.since,
                      "default": r.default.hex()} for r in ring.reserved],
    }


def _parameter_data(ring: Ring, parameter: Parameter) -> _ParameterData:
    placed = {p.field.name: p for p in ring.fields}
    return {
        "name": parameter.name,
        "kind": parameter.kind.value,
        "was": parameter.was,
        "below": parameter.below,
        "doc": parameter.doc,
        "fields": [_field_data(placed[f.name]) for f in parameter.fields],
    }


def _field_data(placed: PlacedField) -> _FieldData:
    field = placed.field
    return {
        "name": field.name,
        "offset": placed.offset,
        "since": placed.since,
        "type": field.scalar.name,
        "count": field.count,
        "array": field.array,
        "unit": field.unit,
        "scale": plain_decimal(field.scale),
        "zero": plain_decimal(field.offset),
        "digits": field.digits,
        "default": list(field.default),
        "ranges": [list(pair) for pair in field.limits.ranges],
        "mask": field.limits.mask,
        "rising": field.rising,
        "members": list(field.members),
        "convert": None if field.convert is None else {
            "factor": plain_decimal(field.convert.factor),
            "divisor": plain_decimal(field.convert.divisor),
            "offset": plain_decimal(field.convert.offset),
            "names": [list(pair) for pair in field.convert.names],
        },
    }


# ---- From data ----------------------------------------------------------------------------------


def _ring(data: _RingData, part: Part) -> Ring:
    fields = [_placed(f, Kind(p["kind"])) for p in data["parameters"] for f in p["fields"]]
    by_name = {placed.field.name: placed.field for placed in fields}
    group = Group(
        data["name"], data["id"], Role(data["role"]), data["writes_per_day"],
        tuple(_parameter(p, by_name) for p in data["parameters"]),
        data["copies"], data["slots"], doc=data["doc"], was=data["was"],
    )
    return Ring(
        group, data["first_page"], data["slots"], data["slot_pages"], data["body"], part.page,
        data["revision"], tuple(sorted(fields, key=lambda f: f.offset)),
        tuple(Reserved(r["name"], r["offset"], bytes.fromhex(r["default"]), r["since"])
              for r in data["reserved"]),
    )


def _parameter(data: _ParameterData, fields: dict[str, Field]) -> Parameter:
    return Parameter(data["name"], Kind(data["kind"]),
                     tuple(fields[f["name"]] for f in data["fields"]),
                     data["doc"], data["below"], data["was"])


def _placed(data: _FieldData, kind: Kind) -> PlacedField:
    convert = data["convert"]
    field = Field(
        data["name"], kind, SCALARS[data["type"]], data["count"], tuple(data["default"]),
        data["array"], ValueLimits(tuple((a, b) for a, b in data["ranges"]), data["mask"]),
        data["rising"], data["unit"], Decimal(data["scale"]), Decimal(data["zero"]),
        data["digits"], tuple((name, number) for name, number in data["members"]),
        None if convert is None else Convert(Decimal(convert["factor"]), Decimal(convert["offset"]),
                            Decimal(convert.get("divisor", 1)),
                            tuple((old, new) for old, new in convert["names"])),
    )
    return PlacedField(field, data["offset"], data["since"])
