"""Whatever a record with a right CRC holds: twin and compiled C serve what the host shows."""

from __future__ import annotations

import random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from paramstore.image.contents import unpack
from paramstore.schema.breaches import filled_text
from paramstore.schema.model import Kind
from paramstore.status import Health, Status
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
