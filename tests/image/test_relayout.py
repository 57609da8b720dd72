"""Units laid out anew, on another part and in other rings: what firmware of the new series sees."""

from __future__ import annotations

import random

import pytest

from paramstore.core.errors import ToolError
from paramstore.core.status import Status
from paramstore.image.contents import LabelState, unpack
from paramstore.image.migrate import ValueOutcome, migrate
from paramstore.image.relayout import relayout
from paramstore.releases.values import ValueOrigin
from paramstore.verify.rig.twin import TwinRig
from tests.engines import bench_for
from tests.releases.histories import relaid
from tests.releases.units import Unit, seen_by

EARLIER = range(1, 6)


@pytest.mark.parametrize("label", EARLIER)
def test_values_come_over(label: int) -> None:
    """A used unit of any earlier release has its values on the new part, converted over all the
    releases between, and what does not fit at its default."""
    past, rng = relaid(), random.Random(label)
    for _ in range(6):
        unit = Unit(past, label)
        for release in (label, rng.choice(range(1, label + 1)), label):
            unit.run(release, rng)
        made = relayout(unpack(past.plan(label), unit.image), past.plan(6), past.plans[label - 1:])
        assert past.plan(6).part.capacity == len(made.image)
        twin = seen_by(past, 6, made.image)
        for group, values in past.model.carry(unit.state, 6, label).values.items():
            assert values == twin.values(group), group


@pytest.mark.parametrize("label", EARLIER)
def test_the_report_says_what_the_image_holds(label: int) -> None:
    """Every parameter of both sides is told once; a value that is not told as lost is there."""
    past, rng = relaid(), random.Random(label)
    unit = Unit(past, label)
    unit.run(label, rng)
    before, plan = unpack(past.plan(label), unit.image), past.plan(6)
    made = relayout(before, plan, past.plans[label - 1:])
    held = migrate(unpack(plan, made.image), plan, [plan])
    assert made.image == held.image
    there = {i.where: i.after for i in made.items if i.outcome is not ValueOutcome.LOST}
    assert there == {i.where: i.after for i in held.items}
    lost = {i.where for i in made.items if i.outcome is ValueOutcome.LOST}
    retired = {"settings.pairing_key", "settings.language", "settings.buzzer", "display.contrast"}
    stored = {f"{g.ring.group.name}.{name}" for g in before.groups
              for name, origin in g.origins.items() if origin is not ValueOrigin.DEFAULT}
    assert lost == (retired - (set() if label < 4 else {"settings.buzzer"})) & stored


def test_and_back() -> None:
    """A unit of the new series becomes one of an earlier release again, values turned back."""
    past, rng = relaid(), random.Random(1)
    unit = Unit(past, 5)
    unit.run(5, rng)
    there = relayout(unpack(past.plan(5), unit.image), past.plan(6), past.plans[4:])
    back = relayout(unpack(past.plan(6), there.image), past.plan(5), past.plans[4:])
    twin, old = seen_by(past, 5, back.image), unit.start(5)
    gone = {"pairing_key", *(i.where.partition(".")[2] for i in there.items if i.outcome.harmed)}
    for ring in past.plan(5).rings:
        one, other = twin.values(ring.group.name), old.values(ring.group.name)
        for field in ring.group.fields:
            if field.name.partition(".")[0] not in gone | {"running", "interval"}:
                assert one[field.name] == other[field.name], field.name


def test_series_refuse_each_other() -> None:
    """Firmware of either series refuses units of the other one, and migrating in place does."""
    past, rng = relaid(), random.Random(2)
    unit = Unit(past, 5)
    unit.run(5, rng)
    made = relayout(unpack(past.plan(5), unit.image), past.plan(6), past.plans[4:]).image
    for release, image in ((6, unit.image), (5, made), (1, made)):
        plan = past.plan(release)
        twin = TwinRig(plan, bench_for(plan, image[:plan.part.capacity].ljust(
            plan.part.capacity, b"\xFF")))
        assert Status.ERR_PART is twin.mount()
        assert LabelState.PART is unpack(plan, image).label_state
    with pytest.raises(ToolError):
        migrate(unpack(past.plan(5), unit.image), past.plan(6), past.plans[4:])
    assert () == past.plan(6).migratable == past.plan(6).migrations == past.plan(6).retired
