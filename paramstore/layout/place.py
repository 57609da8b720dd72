"""From a checked model to a Plan: the one verb of this package. Same schema, same plan.

What a group asks for is in `demand`, where it goes in `arrange`, why it does not fit in `misfit`,
warnings in `advice`; times and life are in `figures` and never needed to place anything.
"""

from __future__ import annotations

from dataclasses import replace

from paramstore.checksum import crc32c
from paramstore.errors import FindingsError
from paramstore.layout.advice import advise
from paramstore.layout.arrange import arrange
from paramstore.layout.demand import demands_of
from paramstore.layout.layout_id import layout_id
from paramstore.layout.misfit import explain_misfit, impossible_groups
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.model import Schema

__all__ = ["make_plan"]


def make_plan(schema: Schema) -> Plan:
    """Return the layout of `schema`, with advice in its `findings`.

    FindingsError if it does not fit its part; the findings say what would make it fit.
    """
    if wrong := impossible_groups(schema):
        raise FindingsError(wrong)
    places = arrange(schema.part, demands_of(schema))
    if places is None:
        raise FindingsError([explain_misfit(schema)])
    rings = tuple(
        Ring(d.group, places[d.group.id], d.slots, d.slot_pages, d.body_bytes, schema.part.page)
        for d in demands_of(schema)
    )
    plan = Plan(schema, rings, crc32c(schema.name.encode()), layout_id(schema.part, rings))
    return replace(plan, findings=tuple(advise(plan)))
