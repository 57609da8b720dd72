"""The power goes while a unit changes its release: at every page write, torn in every way, and
again while the next boot goes on. It ends in one complete state, for every firmware.

Used units of each release of tank_probe, migrated by each later one, on one core:

    cuts  samples  torn pages  different states     boots  time
       2        4    1 600 000          142 000   249 000   4 s
       3        2   83 000 000        3 200 000 6 300 000  94 s  whole and torn units, --long
"""

from __future__ import annotations

import random
from contextlib import suppress
from itertools import combinations

import pytest

from paramstore.core.status import Status
from paramstore.record import build_label
from paramstore.verify.eeprom.faults import CutAtWrite, PowerCut, Tear, Torn
from paramstore.verify.rig.twin import TwinRig
from tests.engines import Engines, bench_for
from tests.releases.histories import Past, tank_probe
from tests.releases.migrations import migration_of
from tests.releases.model import random_values
from tests.releases.units import Unit, commit

RELEASES = range(1, 6)
UPGRADES = list(combinations(RELEASES, 2))


def used(past: Past, release: int, rng: random.Random) -> Unit:
    """A unit in which every group was committed, most of them twice."""
    unit = Unit(past, release)
    unit.run(release, rng, every=True)
    unit.run(release, rng)
    return unit


def taken_over(unit: Unit, release: int) -> bytes:
    twin = unit.start(release)
    assert Status.OK is twin.format()
    return bytes(twin.bench.device.memory)


def cut_migration(first: int, second: int, cuts: int, samples: int, torn: bool) -> int:
    """Cut the migration by `second`; firmware of `first` is the witness. Return the states."""
    past = tank_probe()
    rng = random.Random(first * 100 + second * 10 + torn)
    unit = used(past, first, rng)
    if torn:
        unit.tear(rng)
    witness = migration_of(past.plan(first))
    witness.remember(unit.image, taken_over(unit, second))
    result = migration_of(past.plan(second)).run(unit.image, cuts, samples, witness)
    assert result.writes >= 2  # the label at least
    return int(result.states)


@pytest.mark.parametrize(("first", "second"), UPGRADES)
def test_migration_cut_twice(first: int, second: int) -> None:
    """After any two cuts the new firmware serves what it served before them, and the old one finds
    of each group what it was, or what the whole migration makes of it."""
    assert 1000 < cut_migration(first, second, cuts=2, samples=4, torn=False)


@pytest.mark.parametrize(("first", "second"), UPGRADES)
def test_migration_of_a_torn_unit(first: int, second: int) -> None:
    """The same, of a unit whose last commit was cut, and every cut of the migration once."""
    assert 100 < cut_migration(first, second, cuts=1, samples=4, torn=True)


@pytest.mark.long
@pytest.mark.parametrize(("first", "second"), UPGRADES)
def test_migration_cut_three_times(first: int, second: int) -> None:
    """Three cuts, on whole units and torn ones."""
    for torn in (False, True):
        assert 1000 < cut_migration(first, second, cuts=3, samples=2, torn=torn)


@pytest.mark.parametrize(("first", "second"), UPGRADES)
def test_other_releases_find_one_state(first: int, second: int) -> None:
    """Firmware of any release finds on a unit whose migration was cut what it finds before or
    after, group by group."""
    past, rng = tank_probe(), random.Random(first * 10 + second)
    unit = used(past, first, rng)
    after = taken_over(unit, second)
    for release in RELEASES:
        if release != second:
            witness = migration_of(past.plan(release))
            witness.remember(unit.image, after)
            migration_of(past.plan(second)).run(unit.image, 1, 4, witness)


TEARS = [Tear(kind) for kind in (Torn.OLD, Torn.NEW, Torn.ERASED, Torn.ZEROS, Torn.AND, Torn.OR)]
TEARS += [Tear(kind, at=at) for kind in (Torn.PREFIX, Torn.SUFFIX, Torn.ERASED_PREFIX)
          for at in (1, 4, 9, 20, 31)]
TEARS += [Tear(kind, seed=seed) for kind in (Torn.MIX, Torn.NOISE) for seed in range(2)]


@pytest.mark.parametrize(("first", "second"), UPGRADES)
def test_commit_after_a_downgrade(first: int, second: int) -> None:
    """Earlier firmware commits on a unit of a later release and is cut: both releases find the
    group as it was or as it was to be, what only the later one knows included."""
    past, rng = tank_probe(), random.Random(first * 10 + second)
    unit = used(past, second, rng)
    model = past.model
    for group in model.groups(first):
        name, values = group["name"], random_values(rng, group)
        state = model.write(unit.state, first, name, values)
        for tear in rng.sample(TEARS, 6):
            twin = unit.start(first)
            twin.bench.device.faults = [CutAtWrite(rng.randint(1, 2), tear)]
            with suppress(PowerCut):
                commit(twin, name, values)
            image = bytes(twin.bench.device.memory)
            for release in (first, second):
                plan = past.plan(release)
                boot = TwinRig(plan, bench_for(plan, image))
                assert boot.mount() in (Status.OK, Status.FLAGGED)
                found = {r.group.name: boot.values(r.group.name) for r in plan.rings}
                assert found in (model.read(unit.state, release, second).values,
                                 model.read(state, release, second).values)


def test_the_only_whole_label_is_not_written_over() -> None:
    """A unit of an earlier release whose label copy 0 is damaged: wherever its migration is cut,
    one copy says whose it is."""
    past = tank_probe()
    unit, plan = used(past, 1, random.Random(1)), past.plan(2)
    image = bytearray(unit.image)
    image[plan.label_address(0)] ^= 1
    labels = {build_label(past.plan(release)) for release in (1, 2)}
    for write in range(1, 1000):
        engines = Engines(plan, bytes(image))
        assert Status.OLDER is engines.call("mount")
        cut = [CutAtWrite(engines.device.cycles + write, Tear(Torn.NOISE))]
        engines.each(lambda bench, cut=cut: setattr(bench.device, "faults", list(cut)))
        if engines.call("format") is Status.OK:
            break
        left = bytes(engines.device.memory)
        copies = {left[at:at + plan.label_bytes] for at in map(plan.label_address, (0, 1))}
        assert copies & labels
    assert write > plan.label_pages * 2
