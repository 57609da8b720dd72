"""The power goes at every page write of a commit, in every way, and at every byte on the bus.

The oracle is one dictionary of values: what a group held before, and what it was to hold. After
any cut it holds one of the two, never a mixture; once a commit was acknowledged it holds that.
"""

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.scalars import Raw
from paramstore.core.status import Health, Status
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.model import Schema
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import CutAtByte, CutAtWrite, Fault, PowerCut, Tear, Torn
from paramstore.verify.rig.twin import TwinRig
from tests.record.plans import EXAMPLE
from tests.strategies import group_raws, schemas

PLAIN = [Tear(kind) for kind in (Torn.OLD, Torn.NEW, Torn.ERASED, Torn.ZEROS, Torn.AND, Torn.OR)]
PARTIAL = [Tear(kind, at=at) for kind in (Torn.PREFIX, Torn.SUFFIX, Torn.ERASED_PREFIX)
           for at in range(1, EXAMPLE.part.page)]
RANDOM = [Tear(kind, seed=seed) for kind in (Torn.MIX, Torn.NOISE) for seed in range(3)]
FEW = [Tear(Torn.OLD), Tear(Torn.NEW), Tear(Torn.PREFIX, at=5), Tear(Torn.ERASED),
       Tear(Torn.MIX, seed=1)]

CHANGING = {"limits": "current", "user": "high"}
"""A field of each group of `EXAMPLE`, which holds the number of the value."""


@dataclass
class Unit:
    """A store and its part; `value` is a number that is written into one field of a group."""

    rig: TwinRig
    group: str

    @property
    def device(self) -> Device:
        return self.rig.bench.device

    def value(self) -> int:
        raws = self.rig.values(self.group)[CHANGING[self.group]]
        return int(raws[-1])

    def commit(self, value: int) -> Status:
        field = CHANGING[self.group]
        first = len(self.rig.values(self.group)[field]) - 1
        self.rig.unlock(self.group)
        assert Status.OK is self.rig.set(self.group, field, first, [value])
        return self.rig.commit(self.group)

    def boots_after(self, fault: Fault, value: int) -> bool:
        """Commit `value` with a fault, then boot; return whether the commit was acknowledged."""
        self.device.faults = [fault]
        try:
            acknowledged = self.commit(value) is Status.OK
        except PowerCut:
            acknowledged = False
        self.device.faults = []
        writes = self.device.cycles
        self.rig.power_cycle()
        assert self.rig.mount() in (Status.OK, Status.FLAGGED)
        assert writes == self.device.cycles, "a mount wrote to the part"
        return acknowledged


def unit(group: str, commits: int, image: bytes = b"") -> Unit:
    """A formatted store in which the group has been committed so often, last with value 10."""
    part = Unit(TwinRig(EXAMPLE, Bench(Device(EXAMPLE.part, image=image))), group)
    part.rig.mount()
    if not image:
        part.rig.format()
        for number in range(commits):
            assert Status.OK is part.commit(10 + number - commits + 1)
    part.rig.mount()
    return part


# Commits before the one that is cut: so that it falls on each slot of a ring, written or not.
HISTORIES = [(ring.group.name, commits)
             for ring in EXAMPLE.rings for commits in range(2 * ring.slots)]


@pytest.mark.parametrize(("group", "commits"), HISTORIES)
def test_cut_in_any_page_write_leaves_old_or_new(group: str, commits: int) -> None:
    """Every torn outcome of every page write, and what comes after it.

    The boot after the cut serves the value before or the value attempted, without a sign of
    defaults; the other group and the slots that were not written keep every byte; and the next
    commit is kept whatever the torn page left behind.
    """
    image = bytes(unit(group, commits).device.memory)
    ring = EXAMPLE.ring(group)
    writes = ring.group.copies * ring.slot_pages
    span = slice(ring.address(0), ring.address(0) + ring.pages * ring.page_bytes)
    for number in range(1, writes + 1):
        for tear in PLAIN + PARTIAL + RANDOM:
            part = unit(group, commits, image)
            before = part.value()
            assert not part.boots_after(CutAtWrite(number, tear), 11)
            assert part.value() in (before, 11)
            assert commits == 0 or Health.DEFAULTS not in part.rig.health(group)
            memory = part.device.memory
            assert image[:span.start] == memory[:span.start]
            assert image[span.stop:] == memory[span.stop:]
            assert Status.OK is part.commit(12)
            part.rig.power_cycle()
            part.rig.mount()
            assert 12 == part.value()


@pytest.mark.parametrize(("group", "commits"), HISTORIES)
def test_cut_after_a_cut_leaves_the_value_served_or_the_new_one(group: str, commits: int) -> None:
    """A second commit, cut like the first one, undercuts nothing that a boot has handed out."""
    image = bytes(unit(group, commits).device.memory)
    writes = EXAMPLE.ring(group).group.copies * EXAMPLE.ring(group).slot_pages
    cuts = [(number, tear) for number in range(1, writes + 1) for tear in FEW]
    for first, tear in cuts:
        once = unit(group, commits, image)
        once.boots_after(CutAtWrite(first, tear), 11)
        served, between = once.value(), bytes(once.device.memory)
        for second, again in cuts:
            twice = unit(group, commits, between)
            assert served == twice.value()
            twice.boots_after(CutAtWrite(second, again), 12)
            assert twice.value() in (served, 12)


@pytest.mark.parametrize("group", CHANGING)
def test_cut_at_any_byte_leaves_old_or_new(group: str) -> None:
    """Before the STOP nothing has happened; in a write cycle the page may be torn."""
    image = bytes(unit(group, 3).device.memory)
    whole = unit(group, 3, image)
    start = whole.device.bytes_seen
    whole.commit(11)
    for number in range(start + 1, whole.device.bytes_seen + 2):
        for tear in (Tear(Torn.OLD), Tear(Torn.ERASED)):
            part = unit(group, 3, image)
            acknowledged = part.boots_after(CutAtByte(number, tear), 11)
            assert acknowledged == (number > whole.device.bytes_seen)
            assert part.value() == 11 if acknowledged else part.value() in (10, 11)


@st.composite
def stories(draw: st.DrawFn) -> tuple[Plan, list[tuple[str, dict[str, tuple[Raw, ...]], Fault]]]:
    """A random store, and commits of its groups that are each cut somewhere, or not."""
    schema: Schema = draw(schemas(max_groups=2, parts=("24LC32A", "24LC16B", "24LC1025")))
    commits = []
    for _ in range(draw(st.integers(1, 6))):
        group = draw(st.sampled_from(schema.groups))
        fault = draw(st.builds(CutAtWrite, st.integers(1, 4), st.builds(
            Tear, st.sampled_from(Torn), st.integers(0, 128), st.integers(0, 99))))
        commits.append((group.name, draw(group_raws(group)), fault))
    return make_plan(schema), commits


@given(stories())
def test_any_store_keeps_what_it_acknowledged(
    story: tuple[Plan, list[tuple[str, dict[str, tuple[Raw, ...]], Fault]]]
) -> None:
    """Any schema, any values, cut after cut: old or new, and acknowledged means kept."""
    plan, commits = story
    rig = TwinRig(plan, Bench(Device(plan.part, plan.schema.address)))
    rig.mount()
    assert Status.OK is rig.format()
    kept = {ring.group.name: rig.values(ring.group.name) for ring in plan.rings}
    for group, raws, fault in commits:
        assert isinstance(fault, CutAtWrite)
        fault.number += rig.bench.device.cycles
        rig.bench.device.faults = [fault]
        old = dict(kept)
        rig.unlock(group)
        for name, elements in raws.items():
            assert Status.OK is rig.set(group, name, 0, elements)
        new = rig.values(group)
        try:
            assert Status.OK is rig.commit(group)
            old[group] = new
        except PowerCut:
            pass
        rig.power_cycle()
        assert rig.mount() in (Status.OK, Status.FLAGGED)
        for other in kept:
            kept[other] = rig.values(other)
            assert kept[other] in ((old[other], new) if other == group else (old[other],))


@pytest.mark.parametrize("number", range(1, 5))
def test_cut_in_a_format_leaves_a_part_that_can_be_formatted(number: int) -> None:
    """Of the four page writes of two labels any may be torn: the part is blank or ours."""
    for tear in PLAIN + PARTIAL + RANDOM:
        rig = TwinRig(EXAMPLE, Bench(Device(EXAMPLE.part, faults=[CutAtWrite(number, tear)])))
        rig.mount()
        with pytest.raises(PowerCut):
            rig.format()
        rig.power_cycle()
        assert rig.mount() in (Status.BLANK, Status.FLAGGED)
        assert Status.OK is rig.format()
        assert Status.FLAGGED is rig.mount()
        assert all(Health.DEFAULTS == rig.health(r.group.name) for r in EXAMPLE.rings)
