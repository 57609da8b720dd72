"""Whatever a record with a right CRC holds: the host and a stranger's decoder serve the same."""

from __future__ import annotations

import random
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.image.contents import unpack
from paramstore.layout.plan import Plan, Ring
from paramstore.record import build_label, build_record
from paramstore.schema.breaches import filled_text
from paramstore.schema.model import AnyGroup, Field, Kind
from tests.image.test_pack import planned
from tests.independent_decoder import decode_image, served_values
from tests.record.plans import layout_object


def described(group: AnyGroup) -> list[dict[str, Any]]:
    """What a schema says of the parameters of a group, as plain data."""
    return [{"name": p.name, "below": p.below, "fields": [_field(f) for f in p.fields]}
            for p in group.parameters]


def _field(f: Field) -> dict[str, Any]:
    low, high = (f.limits.ranges[0][0], f.limits.ranges[-1][1]) if f.limits.ranges else (None, None)
    return {"name": f.name, "kind": f.kind.value, "type": f.scalar.name, "count": f.count,
            "default": f.default, "members": dict(f.members), "min": low, "max": high}


def with_bodies(plan: Plan, bodies: dict[str, bytes]) -> bytes:
    """A part whose groups have one record of these bodies, with a right CRC."""
    image = bytearray(b"\xff" * plan.part.capacity)
    for copy in (0, 1):
        at, label = plan.label_address(copy), build_label(plan)
        image[at:at + len(label)] = label
    for ring in plan.rings:
        for slot in range(ring.group.copies):
            record = build_record(plan, ring, slot + 1, bodies[ring.group.name])
            image[ring.address(slot):ring.address(slot) + len(record)] = record
    return bytes(image)


def hostile_body(rng: random.Random, ring: Ring) -> bytes:
    """A body of which some fields have random bytes, others sound values, others extremes."""
    body = bytearray(b"\xff" * ring.body_bytes)
    for placed in ring.fields:
        f, data = placed.field, bytearray()
        raws = list(f.default)
        for i in range(f.count):
            match rng.randrange(4 if f.kind is not Kind.TEXT else 8):
                case 0:
                    data += rng.randbytes(f.scalar.size)
                case 1:
                    data += rng.choice([b"\0", b"\xff", b"\x7f", b"\x80"]) * f.scalar.size
                case 2 if f.limits.ranges:
                    data += f.scalar.pack(rng.choice(rng.choice(f.limits.ranges)))
                case _:
                    data += f.scalar.pack(raws[i])
        if rng.random() < 0.5:
            data = bytearray(b"".join(f.scalar.pack(raw) for raw in raws))
        body[placed.offset:placed.offset + f.size] = data
    return bytes(body)


def same(a: dict[str, Any], b: dict[str, Any]) -> bool:
    return {n: tuple(map(repr, raws)) for n, raws in a.items()} == {
        n: tuple(map(repr, raws)) for n, raws in b.items()}


@given(planned(), st.integers(0, 2**32))
@settings(max_examples=60, deadline=None)
def test_a_stranger_serves_the_same(case: tuple[Plan, Any], seed: int) -> None:
    """A decoder written from FORMAT.md alone, on schemas and bodies of any kind."""
    plan, _ = case
    rng = random.Random(seed)
    image = with_bodies(plan, {r.group.name: hostile_body(rng, r) for r in plan.rings})
    decoded = decode_image(image, layout_object(plan), plan.schema.name)
    contents = unpack(plan, image)
    for group in contents.groups:
        fields = decoded["groups"][group.ring.group.id]["fields"]
        assert same(group.values, served_values(described(group.ring.group), fields))
        for f in group.ring.group.fields:
            stored = fields[f.name]
            assert repr(group.stored[f.name]) == repr(
                filled_text(stored) if f.kind is Kind.TEXT else stored)
        for parameter in group.ring.group.parameters:
            replaced = any(group.values[f.name] != group.stored[f.name] for f in parameter.fields)
            reset = group.reset_of(parameter)
            assert replaced == (reset is not None and parameter in reset.parameters)
