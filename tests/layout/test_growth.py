"""What groups can take in later: what is promised fits, and more costs what is said."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import assume, given

from paramstore.core.errors import FindingsError
from paramstore.layout.demand import growth_of
from paramstore.layout.place import make_plan
from paramstore.schema.model import Schema
from tests.strategies import schemas


def with_room(schema: Schema, group_id: int, room: int) -> Schema:
    return replace(schema, groups=tuple(
        replace(g, room=room) if g.id == group_id else g for g in schema.groups))


@given(schemas())
def test_more_room_costs_what_is_said(schema: Schema) -> None:
    """The plan with that room has as many pages and page writes more; with one byte more than the
    room there is, a record is longer."""
    try:
        plan = make_plan(schema)
    except FindingsError:
        assume(False)
    for ring in plan.rings:
        growth = growth_of(ring)
        assert growth.room == ring.body_bytes - ring.payload_bytes < growth.next_room
        try:
            other = make_plan(with_room(schema, ring.group.id, growth.next_room))
            same = make_plan(with_room(schema, ring.group.id, growth.room))
        except FindingsError:
            continue  # more than the part has
        larger = next(r for r in other.rings if r.group.id == ring.group.id)
        writes = sum(1 for _ in larger.writes()) - sum(1 for _ in ring.writes())
        assert (growth.pages, growth.page_writes) == (
            larger.pages - ring.pages, writes * ring.group.copies)
        assert ring in same.rings or replace(
            ring, group=replace(ring.group, room=growth.room)) in same.rings
