"""Pictures: values that tell commits apart."""

from __future__ import annotations

import pytest
from hypothesis import given

from paramstore.codec import default_payload, encode_body
from paramstore.cuts.pictures import MOST_PICTURES, make_pictures
from paramstore.image.breaches import breaches
from paramstore.image.pack import complete
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.model import Schema
from tests.firmware.builds import EXAMPLES, example_plan
from tests.strategies import schemas


def judge(plan: Plan) -> None:
    pictures = make_pictures(plan)
    for ring in plan.rings:
        sets = pictures.groups[ring.group.name]
        full = [complete(plan, {ring.group.name: values})[ring.group.name] for values in sets]
        assert [] == [breach for values in full for breach in breaches(ring.group, values)]
        bodies = {encode_body(ring, values) for values in full}
        assert 2 <= len(sets) == len(bodies)
        if len(sets) > 2:
            assert default_payload(ring) not in {body[:ring.payload_bytes] for body in bodies}
            assert ring.slots % len(sets) != 0
    assert MOST_PICTURES == len(pictures.images)
    assert {plan.part.capacity} == {len(image) for image in pictures.images}


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples(name: str) -> None:
    """The groups of the examples have all the pictures there can be, or one less for their ring."""
    plan = example_plan(name)
    judge(plan)
    assert {MOST_PICTURES} == {len(s) for s in make_pictures(plan).groups.values()}


@given(schemas(max_groups=3))
def test_any_schema(schema: Schema) -> None:
    """Pictures keep limits and rules, differ from each other, and from the defaults."""
    judge(make_plan(schema))


def test_the_same_every_time() -> None:
    """A plan has one set of pictures."""
    plan = example_plan("tank_probe")
    assert make_pictures(plan) == make_pictures(plan)
