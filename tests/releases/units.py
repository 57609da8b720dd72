"""Units for tests: a part that the twin of any release has run on, and what the model says of it.
"""

from __future__ import annotations

import random
from contextlib import suppress

from paramstore.core.status import Health, Status
from paramstore.image.contents import unpack
from paramstore.image.migrate import Migration, migrate
from paramstore.image.relayout import relayout
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.twin import TwinRig
from tests.engines import bench_for
from tests.releases.histories import Past
from tests.releases.model import Raws, Seen, State, random_values

__all__ = ["Unit", "commit", "seen_by"]


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

    def run(self, release: int, rng: random.Random, every: bool = False) -> None:
        """Firmware of `release` takes the unit over if it is later, and commits groups."""
        seen = self.past.model.read(self.state, release, self.label)
        twin = self.start(release)
        if release > self.label:
            assert Status.OK is twin.format()
            for group in seen.migrated:
                self.write(release, group, seen)
            self.label = release
        for group in self.past.model.groups(release):
            if every or rng.randrange(3):
                values = random_values(rng, group)
                commit(twin, group["name"], values)
                self.write(release, group["name"], Seen({group["name"]: values}))
        self.image = bytes(twin.bench.device.memory)

    def tear(self, rng: random.Random) -> None:
        """The power goes in a commit by firmware of the label's release: old or new values stay."""
        group = rng.choice(self.past.model.groups(self.label))
        name, values = group["name"], random_values(rng, group)
        twin = self.start(self.label)
        tear = Tear(rng.choice(list(Torn)), rng.randint(1, 31), rng.getrandbits(16))
        twin.bench.device.faults = [CutAtWrite(rng.randint(1, 2), tear)]
        with suppress(PowerCut):
            commit(twin, name, values)
        self.image = bytes(twin.bench.device.memory)
        before = self.past.model.read(self.state, self.label, self.label)
        held = self.start(self.label).values(name)
        if held != before.values[name]:
            assert held == values
            self.write(self.label, name, Seen({name: values}))

    def write(self, release: int, group: str, seen: Seen) -> None:
        self.state = self.past.model.write(self.state, release, group, seen.values[group])

    def migrated(self, release: int) -> Migration:
        plans = self.past.plans[min(self.label, release) - 1:max(self.label, release)]
        return migrate(unpack(self.past.plan(self.label), self.image), self.past.plan(release),
                       plans)


    def check(self, release: int) -> None:
        """Firmware of a release sees what the model says: values and flags."""
        twin, seen = self.start(release), self.past.model.read(self.state, release, self.label)
        for group in self.past.model.groups(release):
            name = group["name"]
            assert seen.values[name] == twin.values(name), (release, self.label, name)
            health = twin.health(name)
            assert (name in seen.migrated) == (Health.MIGRATED in health)
            assert (name in seen.limited) == (Health.LIMIT in health)

    def check_relaid(self, release: int) -> None:
        """The host lays the unit out anew for a release of a later series, as the model says."""
        plans = self.past.plans[self.label - 1:release]
        made = relayout(unpack(plans[0], self.image), plans[-1], plans)
        twin = seen_by(self.past, release, made.image)
        for name, values in self.past.model.carry(self.state, release, self.label).values.items():
            assert values == twin.values(name), (release, self.label, name)
        back = relayout(unpack(plans[-1], made.image), plans[0], plans)
        seen_by(self.past, self.label, back.image)

    def check_migrated(self, release: int) -> None:
        """The host makes of the unit one of a release, as the model says; and what firmware of all
        releases makes of that is what it makes of a unit that came there by itself."""
        model, image = self.past.model, self.migrated(release).image
        if release >= self.label:
            seen, state = model.read(self.state, release, self.label), self.state
            for group in seen.migrated | seen.limited:
                state = model.write(state, release, group, seen.values[group])
            later = [r for r in self.past.releases if model.series(r) == model.series(release)]
        else:
            seen, state = model.lower(self.state, release, self.label), State()
            here = {g["id"] for g in model.groups(release)}
            for before in range(1, release):  # what was retired stays
                state |= {g["id"]: self.state[g["id"]] for g in model.groups(before)
                          if g["id"] in self.state and g["id"] not in here
                          and model.series(before) == model.series(release)}
            for group in seen.migrated:
                state = model.write(state, release, group, seen.values[group])
            later = [r for r in self.past.releases
                     if r >= release and model.series(r) == model.series(release)]
        for name, values in seen.values.items():
            assert values == seen_by(self.past, release, image).values(name), (self.label, name)
        for other in later:
            twin = TwinRig(self.past.plan(other), bench_for(self.past.plan(other), image))
            twin.mount()
            for name, values in model.read(state, other, release).values.items():
                assert values == twin.values(name), (self.label, release, other, name)


def commit(twin: TwinRig, group: str, values: dict[str, Raws]) -> None:
    """Give a group values, and commit it."""
    twin.unlock(group)
    for name, raws in values.items():
        assert Status.OK is twin.set(group, name, 0, raws)
    twin.touch(group)
    assert Status.OK is twin.commit(group)


def seen_by(past: Past, release: int, image: bytes) -> TwinRig:
    """Firmware of a release on an image of just this release: at home, nothing to migrate."""
    twin = TwinRig(past.plan(release), bench_for(past.plan(release), image))
    assert twin.mount() in (Status.OK, Status.FLAGGED)
    for ring in past.plan(release).rings:
        assert not twin.health(ring.group.name) & (Health.MIGRATED | Health.LIMIT)
    return twin
