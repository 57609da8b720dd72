"""A plan for programs: everything that `report.plan` shows, and every field, as plain data.

The names, types, counts, offsets, scales and addresses here are the table of fields that
FORMAT.md speaks of, and the migrations its section 9 speaks of: with that page and this data a
decoder needs no schema, for units of earlier releases neither. Units are in the keys; addresses,
offsets and sizes are in bytes; limits and defaults are stored values. A life without end is None.
"""

from __future__ import annotations

import math

from paramstore.core.format import FORMAT_VERSION, HEADER_BYTES
from paramstore.core.text import JsonObject
from paramstore.layout.demand import growth_of
from paramstore.layout.figures import PlanFigures, RingFigures, figures
from paramstore.layout.layout_id import plain_decimal
from paramstore.layout.physics import CONTROLLER_MA, DERATING, bits_ms
from paramstore.layout.plan import PlacedField, Plan, Ring
from paramstore.layout.raw_conversion import Arithmetic, FieldMigration, Renumbering
from paramstore.layout.strength import CRC_16, CRC_32C
from paramstore.schema.breaches import rules_of
from paramstore.schema.model import Schema

__all__ = ["DATA_VERSION", "plan_data"]

DATA_VERSION = 1
"""Grows when a key changes its meaning or goes away."""


def plan_data(plan: Plan) -> JsonObject:
    """Return the plan and its figures as data that JSON can hold."""
    numbers = figures(plan)
    return {
        "schema_version": DATA_VERSION,
        "format": FORMAT_VERSION,
        "store": plan.schema.name,
        "doc": plan.schema.doc,
        "store_id": plan.store_id,
        "layout_id": plan.layout_id,
        "before": plan.previous_layout_id,
        "release": plan.release,
        "series": plan.series,
        "part": _part(plan),
        "use": _use(plan.schema),
        "label": {
            "addresses": [plan.label_address(0), plan.label_address(1)],
            "bytes": plan.label_bytes,
            "pages": plan.label_pages,
        },
        "pages": _pages(plan),
        "groups": [_group(plan, r) for r in numbers.rings],
        "retired_groups": [{"name": r.group.name, "id": r.group.id, "first_page": r.first_page,
                            "pages": r.pages, "slots": r.slots, "slot_pages": r.slot_pages,
                            "body_bytes": r.body_bytes} for r in plan.retired],
        "known": [{"release": release, "layout_id": number} for release, number in plan.migratable],
        "migrations": [_migration(m) for m in plan.migrations],
        "mount": {
            "bits": numbers.mount_bits,
            "ms": numbers.mount_ms,
            "worst_bits": numbers.worst_mount_bits,
            "worst_ms": numbers.worst_mount_ms,
        },
        "longest_ms": dict(numbers.longest_ms),
        "hold_up": _hold_up(numbers),
        "error_detection": {
            "crc": CRC_32C.name,
            "torn_page_passes": CRC_32C.pass_odds,
            "torn_page_passes_16_bit_crc": CRC_16.pass_odds,
        },
        "memory": {"values_bytes": numbers.values_bytes, "working_bytes": numbers.working_bytes},
    }


def _part(plan: Plan) -> JsonObject:
    part = plan.part
    return {
        "name": part.name,
        "capacity_bytes": part.capacity,
        "page_bytes": part.page,
        "address_bytes": part.address_bytes,
        "block_bits": part.block_bits,
        "block_shift": part.block_shift,
        "write_ms": part.write_ms,
        "write_protect": part.write_protect.value,
        "protected_from": part.protected_from,
    }


def _use(schema: Schema) -> JsonObject:
    return {
        "address": schema.address,
        "bus_khz": schema.bus_khz,
        "supply_v": schema.supply_v,
        "temperature_c": schema.temperature_c,
        "life_years": schema.life_years,
    }


def _pages(plan: Plan) -> dict[str, int]:
    label, rings = 2 * plan.label_pages, plan.ring_pages
    total = plan.part.pages
    return {"total": total, "label": label, "groups": rings, "free": total - label - rings}


def _group(plan: Plan, figure: RingFigures) -> JsonObject:
    ring, group, khz = figure.ring, figure.ring.group, plan.schema.bus_khz
    protected_from = plan.part.protected_from
    return {
        "name": group.name,
        "id": group.id,
        "role": group.role.value,
        "doc": group.doc,
        "revision": ring.revision,
        "copies": group.copies,
        "writes_per_day": group.writes_per_day,
        "address": ring.address(0),
        "end": ring.address(ring.slots),
        "first_page": ring.first_page,
        "slots": ring.slots,
        "slot_pages": ring.slot_pages,
        "slot_bytes": ring.slot_pages * ring.page_bytes,
        "payload_bytes": ring.payload_bytes,
        "body_bytes": ring.body_bytes,
        "record_bytes": ring.record_bytes,
        "growth": _growth(ring),
        "write_protectable": protected_from is not None and ring.address(0) >= protected_from,
        "life_years": _finite(figure.life_years),
        "commits": figure.commits,
        "commit": {"page_writes": figure.page_writes, "bits": figure.commit_bits,
                   "polls": figure.commit_polls, "ms": figure.commit_ms,
                   "longest_ms": figure.longest_ms},
        "mount": {"bits": figure.mount_bits, "ms": bits_ms(figure.mount_bits, khz)},
        "hamming_distance": figure.strength.distance,
        "hamming_distance_16_bit_crc": figure.strength.distance_16,
        "parameters": [{"name": p.name, "kind": p.kind.value, "doc": p.doc,
                        "fields": [f.name for f in p.fields]} for p in group.parameters],
        "rules": [{"low": rule.low.name, "high": rule.high.name} for rule in rules_of(group)],
        "fields": [_field(ring, f) for f in ring.fields],
        "reserved": [{"name": r.name, "offset": r.offset, "bytes": r.size, "since": r.since,
                      "default": r.default.hex()} for r in ring.reserved],
    }


def _growth(ring: Ring) -> dict[str, int]:
    growth = growth_of(ring)
    return {"room_bytes": growth.room, "next_room_bytes": growth.next_room,
            "more_pages": growth.pages, "more_page_writes": growth.page_writes}


def _field(ring: Ring, placed: PlacedField) -> JsonObject:
    field = placed.field
    data: JsonObject = {
        "name": field.name,
        "kind": field.kind.value,
        "type": field.scalar.name,
        "count": field.count,
        "bytes": field.size,
        "offset": placed.offset,
        "address": ring.address(0) + HEADER_BYTES + placed.offset,
        "scale": plain_decimal(field.scale),
        "zero": plain_decimal(field.offset),
        "unit": field.unit,
        "since": placed.since,
        "default": list(field.default),
        "ranges": [list(pair) for pair in field.limits.ranges],
        "mask": field.limits.mask,
    }
    if field.members:
        data["members"] = dict(field.members)
    return data


def _migration(migration: FieldMigration) -> JsonObject:
    """Return where an earlier release kept a field; its elements are copied if neither `arithmetic`
    nor `members` is there."""
    data: JsonObject = {
        "group": migration.group,
        "field": migration.field,
        "since": migration.since,
        "source": migration.source,
        "source_since": migration.source_since,
        "source_until": migration.source_until,
        "offset": migration.offset,
        "count": migration.count,
        "type": migration.conversion.from_scalar.name,
    }
    match migration.conversion.rule:
        case Arithmetic(numerator, addend, denominator):
            data["arithmetic"] = {"n": numerator, "k": addend, "d": denominator}
        case Renumbering(pairs, bits):
            data["members"] = {"bits": bits, "pairs": [list(pair) for pair in pairs]}
    return data


def _hold_up(numbers: PlanFigures) -> JsonObject:
    need = numbers.hold_up
    return {
        "capacitance_uf": need.capacitance_uf,
        "time_ms": need.time_ms,
        "current_ma": need.current_ma,
        "controller_ma": CONTROLLER_MA,
        "from_v": need.from_v,
        "to_v": need.to_v,
        "derating": DERATING,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
