"""Images made ones of another release: what firmware of that release then sees, by the model."""

from __future__ import annotations

import pickle
import random
from itertools import product

import pytest

from paramstore.image.contents import unpack
from paramstore.image.migrate import ValueOutcome, migrate
from paramstore.image.relayout import relayout
from tests.releases.histories import careful, tank_probe
from tests.releases.units import Unit

RELEASES = range(1, 6)


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
        unit.check_migrated(target)


@pytest.mark.parametrize(("first", "target"), list(product(range(1, 4), range(1, 4))))
def test_values_go_a_long_way(first: int, target: int) -> None:
    """The same where each step changes unit, names of members, storage or place."""
    past, rng = careful(), random.Random(first * 10 + target)
    for _ in range(12):
        unit = Unit(past, first)
        unit.run(first, rng, every=True)
        unit.run(rng.choice(past.releases), rng)
        for release in past.releases:
            unit.check(release)
        unit.check_migrated(target)


@pytest.mark.parametrize(("first", "target"), [(2, 4), (4, 2), (3, 3)])
def test_an_equal_plan_is_as_good_as_the_same(first: int, target: int) -> None:
    """Up or down is told by the releases, not by which object a plan is."""
    past, rng = tank_probe(), random.Random(6)
    unit = Unit(past, first)
    unit.run(first, rng, every=True)
    plans = past.plans[min(first, target) - 1:max(first, target)]
    contents = unpack(past.plan(first), unit.image)
    copy = pickle.loads(pickle.dumps(past.plan(target)))
    expected = migrate(contents, past.plan(target), plans)
    assert expected == migrate(contents, copy, plans)
    assert relayout(contents, past.plan(target), plans) == relayout(contents, copy, plans)


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
        assert {i.outcome for i in again.items} <= {ValueOutcome.KEPT, ValueOutcome.DEFAULTED}
        assert held == {where: told[where] for where in held}


def test_what_a_record_still_has_is_restored() -> None:
    """Firmware of release 5 keeps the bytes of parameters that only release 1 knows, with their
    defaults on a new unit; without any record they are defaults of release 1."""
    past = tank_probe()
    unit = Unit(past, 5)
    assert {ValueOutcome.DEFAULTED} == {i.outcome for i in unit.migrated(1).items}
    unit.run(5, random.Random(9), every=True)
    assert {"settings.buzzer", "settings.language"} == {
        i.where for i in unit.migrated(1).items if i.outcome is ValueOutcome.RESTORED}


@pytest.mark.parametrize("copy", [0, 1])
def test_one_whole_copy_of_the_label_is_enough(copy: int) -> None:
    """Whichever copy is damaged, the unit has the same state and the same values for firmware of
    any release."""
    past, rng = tank_probe(), random.Random(7)
    for first, target in product(RELEASES, RELEASES):
        unit = Unit(past, first)
        unit.run(first, rng, every=True)
        plan = past.plan(target)
        damaged = bytearray(unit.image)
        damaged[plan.label_address(copy)] ^= 1
        whole, found = unpack(plan, unit.image), unpack(plan, bytes(damaged))
        assert (whole.label, whole.label_state, whole.groups) == (
            found.label, found.label_state, found.groups)


@pytest.mark.parametrize(("first", "target"), [(1, 4), (4, 1), (3, 3)])
def test_what_a_dump_lacks_is_told_as_not_read(first: int, target: int) -> None:
    """A slot that is not in the dump may hold the newest record: all values of its group are told
    with the first and the last byte that is missing, and no others are."""
    past, rng = tank_probe(), random.Random(8)
    unit = Unit(past, first)
    unit.run(first, rng, every=True)
    before = past.plan(first)
    plans = past.plans[min(first, target) - 1:max(first, target)]
    for ring in before.rings:
        gap = ring.address(1) + 2, ring.address(1) + 5
        image = bytearray(unit.image)
        image[slice(*gap)] = b"\xff" * 3
        made = migrate(unpack(before, bytes(image), (gap,)), past.plan(target), plans)
        told = {i.reason for i in made.items if i.outcome is ValueOutcome.UNREAD}
        assert {f"bytes from 0x{gap[0]:04X} to 0x{gap[1] - 1:04X} are not in the dump"} == told
        whole = migrate(unpack(before, unit.image), past.plan(target), plans)
        homes = {i.where: i for i in whole.items}
        for item in made.items:
            if item.outcome is not ValueOutcome.UNREAD:
                assert item == homes[item.where]
