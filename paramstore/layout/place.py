"""From a checked model to a Plan: the one verb of this package. Same schema, same plan.

What a group asks for is in `demand`, where it goes in `arrange`, why it does not fit in `misfit`,
warnings in `advice`; times and life are in `figures` and never needed to place anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from paramstore.core.checksum import crc32c
from paramstore.core.errors import FindingsError
from paramstore.layout.advice import advise
from paramstore.layout.arrange import arrange
from paramstore.layout.demand import demands_of
from paramstore.layout.layout_id import layout_id
from paramstore.layout.misfit import explain_crowding, explain_misfit, impossible_groups
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.model import Schema

__all__ = ["make_plan"]


def make_plan(schema: Schema, kept: Sequence[Ring] = (), retired: Sequence[Ring] = (),
              lineage: tuple[tuple[int, int], ...] = ()) -> Plan:
    """Return the layout of `schema`, with advice in its `findings`.

    `kept` are the rings of groups that stay as they are, `retired` those of groups that are gone:
    new groups are laid beside both. `lineage` as in `Plan`. FindingsError if it does not fit its
    part; the findings say what would make it fit.
    """
    if wrong := impossible_groups(schema):
        raise FindingsError(wrong)
    own = {ring.group.id: ring for ring in kept}
    new = [d for d in demands_of(schema) if d.group.id not in own]
    taken = [(ring.first_page, ring.first_page + ring.pages) for ring in (*kept, *retired)]
    places = arrange(schema.part, new, taken)
    if places is None:
        raise FindingsError([explain_crowding(schema, new, taken) if taken
                             else explain_misfit(schema)])
    for d in new:
        own[d.group.id] = Ring(d.group, places[d.group.id], d.slots, d.slot_pages, d.body_bytes,
                               schema.part.page)
    rings = tuple(own[group_id] for group_id in sorted(own))
    before = lineage[-1][1] if lineage else 0
    plan = Plan(schema, rings, crc32c(schema.name.encode()),
                layout_id(schema.part, rings, before), retired=tuple(retired), lineage=lineage)
    return replace(plan, findings=tuple(advise(plan, {r.group.id for r in kept})))
