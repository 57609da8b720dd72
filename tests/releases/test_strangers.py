"""A decoder that shares no code with the library, written from FORMAT.md and what `plan --json`
prints, reads units of any release as `unpack` and the firmware of any other one do."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.status import Status
from paramstore.image.contents import LabelState, unpack
from paramstore.record import build_record
from paramstore.report.plan_data import plan_data
from paramstore.verify.rig.twin import TwinRig
from tests.engines import bench_for
from tests.independent_decoder import decode_unit
from tests.releases.histories import Past, careful, grown, tank_probe
from tests.releases.units import Unit

STATES = {"ours": {LabelState.OURS}, "older": {LabelState.RELEASE}, "later": {LabelState.RELEASE},
          "none": {LabelState.BLANK, LabelState.DAMAGED},
          "refused": {LabelState.LAYOUT, LabelState.BRANCH, LabelState.PART}}


def check(past: Past, release: int, image: bytes) -> None:
    """The stranger, `unpack` and the twin of a release say the same of an image."""
    plan = past.plan(release)
    told = decode_unit(image, json.loads(json.dumps(plan_data(plan))))
    contents = unpack(plan, image)
    assert contents.label_state in STATES[told["state"]]
    twin = TwinRig(plan, bench_for(plan, image))
    assert (told["state"] == "refused") == (twin.mount() in (Status.ERR_LAYOUT, Status.ERR_PART))
    for name, group in told["groups"].items():
        assert repr(contents.group(name).values) == repr(
            {n: group["values"][n] for n in contents.group(name).values}), (release, name)
        assert twin.values(name) == group["values"], (release, name)


def damaged(past: Past, unit: Unit, rng: random.Random) -> bytes:
    """The image of a unit with impossible values in whole records, and now and then no label."""
    image = bytearray(unit.image)
    plan = past.plan(unit.label)
    for ring in plan.rings:
        newest = unpack(plan, bytes(image)).group(ring.group.name).newest
        if newest is not None and rng.randrange(2):
            body = bytearray(newest.record.body)
            for _ in range(rng.randint(1, 4)):
                body[rng.randrange(len(body))] = rng.choice((0, 0x7F, 0x80, 0xFF, 0xC3, 1))
            record = build_record(plan, ring, newest.record.sequence, bytes(body),
                                  newest.record.revision)
            image[newest.address:newest.address + len(record)] = record
    if rng.randrange(4) == 0:
        for copy in (0, 1):
            image[plan.label_address(copy)] = 0
    return bytes(image)


@pytest.mark.parametrize("past", [tank_probe(), careful()], ids=["tank_probe", "careful"])
def test_units_of_the_examples(past: Past) -> None:
    """Each release on units of each other one, sound and damaged."""
    rng = random.Random(1)
    for first in past.releases:
        unit = Unit(past, first)
        for _ in range(3):
            unit.run(rng.choice(past.releases), rng)
            for image in (unit.image, damaged(past, unit, rng)):
                for release in past.releases:
                    check(past, release, image)


@given(st.integers(0, 2**32 - 1).map(random.Random))
@settings(max_examples=20)
def test_units_of_random_histories(rng: random.Random) -> None:
    """The same for any edits, rules and all."""
    past = grown(rng, 3)
    unit = Unit(past, rng.choice(past.releases))
    for _ in range(2):
        unit.run(rng.choice(past.releases), rng)
        for image in (unit.image, damaged(past, unit, rng)):
            for release in past.releases:
                check(past, release, image)
