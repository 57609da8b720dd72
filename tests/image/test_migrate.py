"""Images made ones of another release: what firmware of that release then sees, by the model."""

from __future__ import annotations

import random
from itertools import product

import pytest

from paramstore.image.contents import unpack
from paramstore.image.migrate import Fate, Migration, migrate
from paramstore.rig.twin import TwinRig
from paramstore.status import Health, Status
from tests.engines import bench_for
from tests.evolve.histories import Past, tank_probe
from tests.evolve.model import Seen, State, random_values

RELEASES = range(1, 6)


class Unit:
    """A unit that the twin of any release has run on, and what the model says of it."""

    def __init__(self, past: Past, release: int) -> None:
        self.past, self.label, self.state = past, release, State()
        self.image = b""
        twin = self.start(release)
        assert Status.OK is twin.format()
        self.image = bytes(twin.bench.device.memory)

    def start(self, release: int) -> TwinRig:
        twin = TwinRig(self.past.plan(release), bench_for(self.past.plan(release), self.image))
        twin.mount()
        return twin

    def run(self, release: int, rng: random.Random) -> None:
        """Firmware of `release` takes the unit over if it is later, and commits some groups."""
        seen = self.past.model.read(self.state, release, self.label)
        twin = self.start(release)
        if release > self.label:
            assert Status.OK is twin.format()
            for group in seen.migrated:
                self.write(release, group, seen)
            self.label = release
        for group in self.past.model.groups(release):
            if rng.randrange(3):
                values = random_values(rng, group)
                twin.unlock(group["name"])
                for name, raws in values.items():
                    twin.set(group["name"], name, 0, raws)
                twin.touch(group["name"])
                assert Status.OK is twin.commit(group["name"])
                self.write(release, group["name"], Seen({group["name"]: values}))
        self.image = bytes(twin.bench.device.memory)

    def write(self, release: int, group: str, seen: Seen) -> None:
        self.state = self.past.model.write(self.state, release, group, seen.values[group])

    def migrated(self, release: int) -> Migration:
        plans = self.past.plans[min(self.label, release) - 1:max(self.label, release)]
        return migrate(unpack(self.past.plan(self.label), self.image), self.past.plan(release),
                       plans)


def seen_by(past: Past, release: int, image: bytes) -> TwinRig:
    """Firmware of a release on an image of just this release: at home, nothing to take over."""
    twin = TwinRig(past.plan(release), bench_for(past.plan(release), image))
    assert twin.mount() in (Status.OK, Status.FLAGGED)
    for ring in past.plan(release).rings:
        assert twin.health(ring.group.name) in (Health(0), Health.DEFAULTS)
    return twin


@pytest.mark.parametrize(("first", "target"), list(product(RELEASES, RELEASES)))
def test_values_are_those_that_the_model_says(first: int, target: int) -> None:
    """Up: what the firmware would have made of the unit. Down: values turned back, those without
    an equal at their defaults, and what was never moved as it is. Used units, by several releases.
    """
    past, rng = tank_probe(), random.Random(first * 10 + target)
    for _ in range(8):
        unit = Unit(past, first)
        for release in (first, rng.choice(RELEASES), rng.choice(RELEASES)):
            unit.run(release, rng)
        wanted = (past.model.read if target >= unit.label else past.model.lower)(
            unit.state, target, unit.label)
        twin = seen_by(past, target, unit.migrated(target).image)
        for group, values in wanted.values.items():
            assert values == twin.values(group), (unit.label, target, group)


def test_the_report_says_what_the_image_holds() -> None:
    """The value that is told is the one that is there, and nothing harmed is called kept."""
    past, rng = tank_probe(), random.Random(5)
    for first, target in product(RELEASES, RELEASES):
        unit = Unit(past, first)
        unit.run(first, rng)
        made = unit.migrated(target)
        there = unpack(past.plan(target), made.image)
        again = migrate(there, past.plan(target), [past.plan(target)])
        assert made.image == again.image
        told = {i.where: i.after for i in made.items if i.after}
        held = {i.where: i.after for i in again.items}
        assert {i.fate for i in again.items} <= {Fate.KEPT, Fate.DEFAULTED}
        assert held == {where: told[where] for where in held}
