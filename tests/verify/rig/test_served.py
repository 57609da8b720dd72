"""Whatever a record with a right CRC holds: twin and compiled C serve what the host shows."""

from __future__ import annotations

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from paramstore.core.status import Health, Status
from paramstore.image.contents import unpack
from paramstore.record import encode_body
from paramstore.schema.breaches import filled_text
from paramstore.schema.model import Kind
from tests.engines import PLANS, Engines
from tests.image.test_served import hostile_body, same, with_bodies


@pytest.mark.parametrize("name", PLANS)
@given(seed=st.integers(0, 2**32))
@example(seed=0)
@settings(max_examples=25, deadline=None)
def test_firmware_serves_the_same(name: str, seed: int) -> None:
    """Twin and compiled C, after a mount of such a part: values, and the flag of each group."""
    plan, rng = PLANS[name], random.Random(seed)
    bodies = {r.group.name: hostile_body(rng, r) for r in plan.rings}
    image = with_bodies(plan, bodies)
    contents = unpack(plan, image)
    engines = Engines(plan, image)
    flagged = any(g.resets for g in contents.groups)
    assert (Status.FLAGGED if flagged else Status.OK) is engines.call("mount")
    for group in contents.groups:
        name = group.ring.group.name
        for rig in (engines.twin, engines.native):
            values = rig.values(name)
            values |= {f.name: filled_text(values[f.name]) for f in group.ring.group.fields
                       if f.kind is Kind.TEXT}  # what is behind the end of a text does not count
            assert same(group.values, values), (name, rig)
            assert (Health.LIMIT if group.resets else Health(0)) == rig.health(name)


def test_a_broken_rule_resets_both() -> None:
    """Neither of two values that cannot be together is served, although each of them could be
    beside the default of the other; a third one of the record is."""
    plan = PLANS["tank_probe"]
    low, high = (next((r, p.field) for r in plan.rings for p in r.fields
                      if p.field.name == f"ph_{end}") for end in ("low", "high"))
    ring, field = low
    assert ring is high[0]
    bodies = {r.group.name: encode_body(r, {f.name: f.default for f in r.group.fields})
              for r in plan.rings}
    least, most = field.default[0], high[1].default[0]
    assert most - least > 2
    other = next(f for f in ring.group.fields if f.name == "temp_low")
    values = {f.name: f.default for f in ring.group.fields} | {
        "ph_low": (most - 1,), "ph_high": (least + 1,), "temp_low": (other.default[0] + 1,)}
    bodies[ring.group.name] = encode_body(ring, values)
    expected = values | {"ph_low": field.default, "ph_high": high[1].default}
    image = with_bodies(plan, bodies)
    engines = Engines(plan, image)
    assert Status.FLAGGED is engines.call("mount")
    for rig in (engines.twin, engines.native):
        assert same(expected, rig.values(ring.group.name)), rig
    assert same(expected, unpack(plan, image).group(ring.group.name).values)
