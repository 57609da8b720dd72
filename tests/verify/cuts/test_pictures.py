"""Pictures: values that tell commits apart."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given

from paramstore.core.scalars import SCALARS
from paramstore.image.pack import complete
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.record import default_payload, encode_body
from paramstore.schema.breaches import breaches
from paramstore.schema.model import Field, Group, Kind, Parameter, Schema, ValueLimits
from paramstore.verify.cuts.pictures import MOST_PICTURES, make_pictures
from tests.firmware.builds import EXAMPLES, example_plan
from tests.strategies import schemas


def frozen(group: Group) -> bool:
    """Can a group hold no other values than its defaults?"""
    return all(field.limits.mask == 0 if field.limits.mask is not None else
               [field.default[0]] * 2 == [n for span in field.limits.ranges for n in span]
               for field in group.fields)


def judge(plan: Plan) -> None:
    pictures = make_pictures(plan)
    for ring in plan.rings:
        sets = pictures.groups[ring.group.name]
        full = [complete(plan, {ring.group.name: values})[ring.group.name] for values in sets]
        assert [] == [breach for values in full for breach in breaches(ring.group, values)]
        bodies = {encode_body(ring, values) for values in full}
        assert (1 if frozen(ring.group) else 2) <= len(sets) == len(bodies)
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


def test_group_of_one_value() -> None:
    """An enumeration of one member has one picture, its default; the campaign takes that."""
    member = Parameter("kind", Kind.ENUM, (Field("kind", Kind.ENUM, SCALARS["u8"], 1, (0,),
                                      limits=ValueLimits(((0, 0),)), members=(("only", 0),)),))
    plan = example_plan("minimal")
    group = replace(plan.schema.groups[0], parameters=(member,))
    plan = make_plan(replace(plan.schema, groups=(group,)))
    judge(plan)
    assert ({},) == make_pictures(plan).groups[group.name]


def test_the_same_every_time() -> None:
    """A plan has one set of pictures."""
    plan = example_plan("tank_probe")
    assert make_pictures(plan) == make_pictures(plan)
