"""Every release's units under every other release's firmware, up and down.

Twin and compiled C run side by side (see `engines`); what they must see is said by the model, which
knows neither. The histories of a unit are random walks over the releases: firmware is exchanged, up
or down, any number of times, and now and then something is committed.
"""

from __future__ import annotations

import random
from itertools import product

import pytest

from paramstore.core.status import Health, Status
from paramstore.verify.eeprom.faults import BusError, Fault
from tests.engines import Engines
from tests.releases import units as twins
from tests.releases.histories import Past, past_of, tank_probe
from tests.releases.model import Seen, State, random_values

RELEASES = range(1, 6)


class Unit:
    """A unit: what is on its part, what the model says of it, and the firmware it runs now."""

    def __init__(self, past: Past, release: int, image: bytes = b"",
                 state: State | None = None) -> None:
        self.past = past
        self.state: State = state or {}
        self.label = release
        self.engines = Engines(past.plan(release), image)
        if not image:
            assert Status.BLANK is self.engines.call("mount")
            assert Status.OK is self.engines.call("format")
        self.release = release

    def flash(self, release: int) -> Status:
        """Exchange the firmware, start it, and compare what it sees with the model."""
        image = bytes(self.engines.device.memory)
        self.engines = Engines(self.past.plan(release), image)
        self.release = release
        status = self.engines.call("mount")
        assert status is not None
        assert bytes(self.engines.device.memory) == image  # mount writes nothing
        self.compare(self.past.model.read(self.state, release, self.label))
        flags = [self.engines.twin.health(g) for g in self.groups]
        if self.label < release:
            assert Status.OLDER is status
        else:
            assert (Status.FLAGGED if any(flags) else Status.OK) is status
        return status

    @property
    def groups(self) -> list[str]:
        return [g["name"] for g in self.past.model.groups(self.release)]

    def compare(self, seen: Seen) -> None:
        for group in self.groups:
            twin = self.engines.twin
            assert seen.values[group] == twin.values(group), (self.release, group)
            health = twin.health(group)
            assert (group in seen.migrated) == (Health.MIGRATED in health)
            assert (group in seen.limited) == (Health.LIMIT in health)

    def commit(self, rng: random.Random, group: str) -> None:
        """Give a group other values and commit them."""
        data = next(g for g in self.past.model.groups(self.release) if g["name"] == group)
        values = random_values(rng, data)
        self.engines.call("unlock", group)
        for name, raws in values.items():
            assert Status.OK is self.engines.call("set", group, name, 0, raws)
        self.engines.call("touch", group)
        assert Status.OK is self.engines.call("commit", group)
        self.state = self.past.model.write(self.state, self.release, group, values)

    def refuses(self, group: str) -> None:
        """Before PS_OLDER is settled, nothing is committed."""
        self.engines.call("unlock", group)
        assert Status.OK is self.engines.call("touch", group)
        assert Status.ERR_STATE is self.engines.call("commit", group)
        self.flash(self.release)

    def settle(self) -> None:
        """What firmware does after PS_OLDER."""
        seen = self.past.model.read(self.state, self.release, self.label)
        assert Status.OK is self.engines.call("format")
        self.label = max(self.label, self.release)
        for group in sorted(seen.migrated):
            self.state = self.past.model.write(self.state, self.release, group,
                                               seen.values[group])
            assert Health.MIGRATED not in self.engines.twin.health(group)


@pytest.mark.parametrize(("first", "second"), list(product(RELEASES, RELEASES)))
def test_fresh_and_used_units(first: int, second: int) -> None:
    """A unit of any release, blank, fresh or used, is read right by any other release, there and
    back, with the other one's commits in between and without."""
    past, rng = tank_probe(), random.Random(first * 10 + second)
    unit = Unit(past, first)
    unit.flash(second)  # nothing was ever committed
    unit = Unit(past, first)
    for group in unit.groups:
        unit.commit(rng, group)
    status = unit.flash(second)
    unit.flash(first)
    unit.flash(second)
    if status is Status.OLDER:
        unit.settle()
    unit.flash(second)
    unit.flash(first)
    unit.flash(second)
    for group in unit.groups:
        unit.commit(rng, group)
    if unit.flash(first) is Status.OLDER:
        unit.settle()
    for group in unit.groups:
        unit.commit(rng, group)
    unit.flash(second)


@pytest.mark.parametrize(("first", "second"), list(product(RELEASES, RELEASES)))
def test_torn_units(first: int, second: int) -> None:
    """A unit whose last commit was cut is read right by any other release: what its own firmware
    finds on it, converted."""
    past, rng = tank_probe(), random.Random(first * 10 + second)
    for _ in range(4):
        torn = twins.Unit(past, first)
        torn.run(first, rng)
        torn.run(first, rng)
        torn.tear(rng)
        unit = Unit(past, first, torn.image, torn.state)
        if unit.flash(second) is Status.OLDER:
            unit.settle()
        unit.flash(first)
        unit.flash(second)


@pytest.mark.parametrize("seed", range(6))
def test_random_walks(seed: int) -> None:
    """A unit goes through any order of releases, with commits and without."""
    past, rng = tank_probe(), random.Random(seed)
    unit = Unit(past, rng.choice(RELEASES))
    for _ in range(25):
        match rng.randrange(4):
            case 0:
                while unit.flash(rng.choice(RELEASES)) is Status.OLDER and not rng.randrange(3):
                    pass  # exchanged once more before it could write
            case 1:
                unit.flash(unit.release)
            case _ if unit.label < unit.release:
                unit.refuses(rng.choice(unit.groups))
                unit.settle()
            case _:
                unit.commit(rng, rng.choice(unit.groups))


class Jam(Fault):
    """Somebody holds the bus from some byte on."""

    def __init__(self, begin: int) -> None:
        self.begin = begin

    def byte(self, number: int) -> bool:
        if number >= self.begin:
            raise BusError
        return True


def older_unit() -> Unit:
    """A unit of the first release under firmware of the last one, before its first start."""
    past, rng = tank_probe(), random.Random(1)
    unit = Unit(past, 1)
    for group in unit.groups:
        unit.commit(rng, group)
    unit.engines = Engines(past.plan(RELEASES[-1]), bytes(unit.engines.device.memory))
    unit.release = RELEASES[-1]
    return unit


def test_a_bus_that_fails_in_a_migration_is_told() -> None:
    """At whatever byte of the first mount: the bus is to blame, nothing may be written, and the
    next mount takes everything over."""
    unit = older_unit()
    assert Status.OLDER is unit.engines.call("mount")
    bytes_seen = unit.engines.device.bytes_seen
    for begin in range(1, bytes_seen + 1, 3):
        unit = older_unit()
        unit.engines.each(lambda bench, begin=begin: bench.device.faults.append(Jam(begin)))
        assert Status.ERR_BUS is unit.engines.call("mount")
        assert Status.ERR_STATE is unit.engines.call("format")
        unit.engines.each(lambda bench: bench.device.faults.clear())
    assert Status.OLDER is unit.flash(unit.release)


def test_a_migration_that_is_not_written_is_tried_again() -> None:
    """The part is write-protected: format says so, the label stays the old one."""
    unit = older_unit()
    assert Status.OLDER is unit.engines.call("mount")
    unit.engines.each(lambda bench: setattr(bench.device, "write_protect", True))
    assert Status.ERR_VERIFY is unit.engines.call("format")
    unit.engines.each(lambda bench: setattr(bench.device, "write_protect", False))
    assert Status.OLDER is unit.flash(unit.release)
    unit.settle()
    unit.flash(unit.release)


NARROWED = """
[store]
name = "narrow"
doc = "Values that fit a wide type only (invented)"
part = "24LC32A"

[group.use]
role = "setting"
writes = "1 per day"

[group.use.parameter]
level = {{ type = "{type}", default = 5 }}

[group.use.parameter.response]
type = "curve"
points = 2
x = {{ type = "{type}" }}
y = {{ type = "u8" }}
default = [[0, 0], [1, 1]]
"""


@pytest.mark.parametrize(("level", "axis", "expected"), [
    (200, (3, 9), (200, (3, 9), (6, 7))),
    (300, (3, 9), (5, (3, 9), (6, 7))),
    (200, (3, 300), (200, (0, 1), (0, 1))),  # half a curve is none
])
def test_a_value_that_does_not_fit_becomes_a_default(
        level: int, axis: tuple[int, int], expected: tuple[object, ...]) -> None:
    """With a flag; the parameters beside it are migrated."""
    past = past_of([NARROWED.format(type=name) for name in ("u16", "u8")])
    engines = Engines(past.plan(1))
    engines.call("mount")
    engines.call("format")
    for field, raws in (("level", (level,)), ("response.x", axis), ("response.y", (6, 7))):
        assert Status.OK is engines.call("set", "use", field, 0, raws)
    assert Status.OK is engines.call("commit", "use")
    engines = Engines(past.plan(2), bytes(engines.device.memory))
    assert Status.OLDER is engines.call("mount")
    values = engines.twin.values("use")
    assert expected == (values["level"][0], values["response.x"], values["response.y"])
    fits = expected == (level, axis, (6, 7))
    assert fits == (Health.LIMIT not in engines.twin.health("use"))
