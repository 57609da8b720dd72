"""What single calls answer: places that are not there, groups that fail, labels of other releases.

Every call goes to both engines, which must not be told apart by anything (see `engines`).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from paramstore.core.checksum import crc32c
from paramstore.core.format import SEQUENCE_FULL
from paramstore.core.status import Health, Status
from paramstore.layout.plan import Plan
from paramstore.record import build_label
from paramstore.verify.eeprom.faults import DeadPage, Fault
from paramstore.verify.rig.native import NativeRig
from tests.engines import PLANS, Engines, bench_for, compiled
from tests.record.plans import EXAMPLE
from tests.releases.histories import tank_probe
from tests.verify.rig.stores import LIMITS, USED, image, mounted, with_fault

# ---- Places that are not there ----

NO_GROUP, NO_FIELD = 250, 60_000
ON_GROUPS = ("touch", "reset", "unlock", "lock", "commit", "commit_begin", "refresh", "reload")


@pytest.mark.parametrize("call", ON_GROUPS)
def test_a_group_that_is_not_there_is_refused(call: str) -> None:
    """By both engines, and nothing changes."""
    engines = mounted()
    assert Status.ERR_ARGUMENT is getattr(engines.twin, call)("nobody")
    assert Status.ERR_ARGUMENT == engines.native.machine.call(f"ps_{call}", NO_GROUP)
    engines.compare()


def test_a_group_that_is_not_there_has_no_record() -> None:
    """Its flag is that of a group without one."""
    engines = mounted()
    machine = engines.native.machine
    assert [Health.DEFAULTS] * 2 == [engines.twin.health("nobody"),
                                     machine.call("ps_health", NO_GROUP)]
    assert [0, 0] == [engines.twin.sequence("nobody"), machine.call("ps_sequence", NO_GROUP)]


def test_a_field_that_is_not_there_is_refused() -> None:
    """By whatever changes one."""
    engines = mounted()
    machine, twin = engines.native.machine, engines.twin
    assert [Status.ERR_ARGUMENT] * 2 == [twin.set("user", "none", 0, ()),
                                         machine.call("ps_set", NO_FIELD, 0, 0, b"\0")]
    assert [Status.ERR_ARGUMENT] * 2 == [twin.set_text("user", "none", ""),
                                         machine.call("ps_set_text", NO_FIELD, b"\0")]
    assert [Status.ERR_ARGUMENT] * 2 == [twin.reset_field("user", "none"),
                                         machine.call("ps_reset_field", NO_FIELD)]
    engines.compare()


@pytest.mark.parametrize(("first", "count"), [(2, 0), (0, 2), (1, 1)])
def test_elements_that_are_not_there_are_refused(first: int, count: int) -> None:
    """Of a field with one element."""
    assert Status.ERR_ARGUMENT is mounted().call("set", "user", "low", first, (1,) * count)


def test_texts_are_refused() -> None:
    """For a field of numbers, one too long, one that is not UTF-8, and of a locked group."""
    engines = mounted()
    assert Status.ERR_ARGUMENT is engines.call("set_text", "user", "low", "1")
    assert Status.ERR_ARGUMENT is engines.call("set_text", "user", "name", "seven b")
    index, _ = engines.native._fields["user", "name"]
    assert [Status.ERR_LIMIT] * 2 == [
        engines.twin.store.set_text("user", "name", b"a\xff"),
        engines.native.machine.call("ps_set_text", index, b"a\xff\0")]
    engines.compare()
    locked = Engines(PLANS["24LC01B"])
    locked.call("mount")
    assert Status.ERR_LOCKED is locked.call("set_text", "unit", "serial", "B")


def test_a_reset_gives_defaults() -> None:
    """To all fields of a group, or to one; dirty until a commit."""
    for call in (("reset", "user"), ("reset_field", "user", "low")):
        engines = mounted()
        assert (1,) == engines.twin.values("user")["low"]
        assert Status.OK is engines.call(*call)
        assert (-3,) == engines.twin.values("user")["low"]
        assert Health.DIRTY == engines.twin.health("user")


def test_what_a_commit_that_goes_on_refuses() -> None:
    """Whatever writes, and changes of its own group."""
    engines = mounted()
    engines.call("touch", "user")
    assert Status.PENDING is engines.call("commit_begin", "user")
    for call in (("refresh", "user"), ("reload", "user"), ("commit_begin", "user"), ("format",),
                 ("wipe",), ("provision", None), ("touch", "user")):
        assert Status.ERR_BUSY is engines.call(*call)
    assert Status.OK is engines.call("unlock", "limits")


def test_a_refresh_of_a_changed_group_is_a_commit() -> None:
    """With what changed."""
    engines = mounted()
    engines.call("set", "user", "low", 0, (2,))
    assert Status.OK is engines.call("refresh", "user")
    engines.call("mount")
    assert (2,) == engines.twin.values("user")["low"]


# ---- Groups that fail ----


def wear_out(engines: Engines) -> None:
    """Let no page of a ring take anything any more."""
    for page in range(LIMITS.first_page, LIMITS.first_page + LIMITS.pages):
        with_fault(engines, lambda page=page: DeadPage(page))


@pytest.mark.parametrize(("status", "values"), [
    (Status.ERR_LIMIT, {"current": (60_000,)}),
    (Status.ERR_RULE, {"flow.x": (3, 2, 1)}),
    (Status.ERR_LOCKED, {}), (Status.ERR_FULL, {}), (Status.ERR_VERIFY, {}),
])
def test_commit_all_goes_on_behind_a_group_that_fails(
    status: Status, values: dict[str, tuple[int, ...]]
) -> None:
    """It says why one is not there, and commits the others."""
    last = SEQUENCE_FULL if status is Status.ERR_FULL else 2
    engines = Engines(EXAMPLE, image(("limits", last, {}), ("user", 1, {})))
    engines.call("mount")
    for call in ("unlock", "touch"):
        engines.call(call, "limits")
    for field, raws in values.items():
        engines.poke("limits", field, 0, raws)
    if status is Status.ERR_LOCKED:
        engines.call("lock", "limits")
    if status is Status.ERR_VERIFY:
        wear_out(engines)
    engines.call("set", "user", "low", 0, (2,))
    assert status is engines.call("commit_all")
    assert Health.DIRTY in engines.twin.health("limits")
    assert (Health(0), 2) == (engines.twin.health("user"), engines.twin.sequence("user"))


def test_commit_all_ends_where_nothing_can_be_written() -> None:
    """A bad supply concerns every group: the next one is not tried."""
    engines = mounted()
    engines.each(lambda bench: setattr(bench, "supply_good", False))
    engines.call("unlock", "limits")
    for group in ("limits", "user"):
        engines.call("touch", group)
    assert Status.ERR_SUPPLY is engines.call("commit_all")
    assert 0 == engines.device.cycles
    assert Health.DIRTY in engines.twin.health("user")


def test_a_port_without_a_supply_question_writes() -> None:
    """The question is NULL in ps_port_t: the supply counts as good."""
    rig = NativeRig(compiled(EXAMPLE, repr(EXAMPLE)), bench_for(EXAMPLE, USED))
    rig.bench.supply_good = False
    port = rig.machine._port
    port.supply_good = type(port.supply_good)()
    assert Status.OK is rig.mount()
    assert Status.OK is rig.set("user", "low", 0, (2,))
    assert Status.OK is rig.commit("user")


# ---- Labels ----

PLAN = tank_probe().plans[-1]


def later(gap: int, layout_id: int) -> Plan:
    """A release `gap` numbers later that follows from one of the number of `PLAN`."""
    between = tuple((PLAN.release + k, 7) for k in range(1, gap))
    return replace(PLAN, release=PLAN.release + gap, layout_id=9,
                   lineage=(*PLAN.lineage, (PLAN.release, layout_id), *between))


@pytest.mark.parametrize(("labelled", "expected"), [
    (replace(PLAN, release=PLAN.release - 1, layout_id=5), Status.ERR_LAYOUT),
    (replace(PLAN, release=PLAN.release + 1, schema=replace(
        PLAN.schema, series=PLAN.series + 1)), Status.ERR_LAYOUT),
    (later(1, PLAN.layout_id ^ 1), Status.ERR_LAYOUT),
    (later(4, PLAN.layout_id ^ 1), Status.ERR_LAYOUT),
    (later(1, PLAN.layout_id), Status.FLAGGED),
    (later(4, PLAN.layout_id), Status.FLAGGED),
    (later(5, PLAN.layout_id ^ 1), Status.FLAGGED),  # its lineage does not go back so far
])
def test_labels_of_other_releases(labelled: Plan, expected: Status) -> None:
    """Not known, of another series, of another branch, or one that follows from ours: FORMAT.md,
    section 2. The groups have no records."""
    label = build_label(labelled)
    memory = bytearray(b"\xff" * PLAN.part.capacity)
    memory[:len(label)] = label
    assert expected is Engines(PLAN, bytes(memory)).call("mount")


def test_a_right_crc_makes_no_label() -> None:
    """Without the magic it is no label: the other copy counts."""
    label = build_label(EXAMPLE)
    front = b"\x00" + label[1:-4]
    memory = bytearray(USED)
    memory[:len(label)] = front + crc32c(front).to_bytes(4, "little")
    engines = mounted(bytes(memory), Status.FLAGGED)
    assert [Health(0)] * 2 == [engines.twin.health(r.group.name) for r in EXAMPLE.rings]


class ReadsErased(Fault):
    """The part does not drive the bus: everything reads FF."""

    def read(self, address: int, value: int) -> int:
        return 0xFF


def test_format_leaves_a_part_with_an_earlier_label_alone() -> None:
    """A mount that read nothing took it for blank; copy 1 of its label is that of a release before,
    and copy 0 is erased."""
    plan = tank_probe().plans[-1]
    label, at = build_label(tank_probe().plans[-2]), plan.label_address(1)
    memory = bytearray(b"\xff" * plan.part.capacity)
    memory[at:at + len(label)] = label
    engines = Engines(plan, bytes(memory))
    with_fault(engines, ReadsErased)
    assert Status.BLANK is engines.call("mount")
    engines.each(lambda bench: bench.device.faults.clear())
    assert Status.ERR_FOREIGN is engines.call("format")
    assert (memory, 0) == (engines.device.memory, engines.device.cycles)


# ---- Parts of other releases ----


class Restless(Fault):
    """A byte that reads otherwise each time, once it was read so often."""

    def __init__(self, address: int, after: int) -> None:
        self._address = address
        self._left = after

    def read(self, address: int, value: int) -> int:
        self._left -= address == self._address
        return value ^ (self._left & 1) if self._left < 0 and address == self._address else value


def used(plan: Plan) -> bytes:
    """A part of a release, with a record in each group."""
    engines = Engines(plan)
    for call in ("mount", "format"):
        engines.call(call)
    for ring in plan.rings:
        for call in ("unlock", "touch", "commit"):
            assert Status.OK is engines.call(call, ring.group.name)
    return bytes(engines.device.memory)


def test_a_byte_that_never_reads_the_same_is_not_migrated() -> None:
    """No CRC covers it then: the mount fails, rather than serve one of the readings."""
    former = tank_probe().plans[0]
    row = PLAN.migrations[0]
    ring = next(r for r in former.rings if r.group.id == row.source)
    memory, seen = used(former), []
    for after in range(8):
        engines = Engines(PLAN, memory)
        with_fault(engines, lambda after=after: Restless(ring.address(0) + 5 + row.offset, after))
        seen.append(engines.call("mount"))
    assert Status.OLDER is seen[-1]
    assert {Status.ERR_BUS, Status.OLDER} == set(seen)


@pytest.mark.parametrize("number", range(len(tank_probe().plans)))
def test_commits_on_parts_of_this_release_and_the_next(number: int) -> None:
    """Every group, with and without bytes to keep: both engines write the same."""
    plans = tank_probe().plans
    plan = plans[number]
    for made in plans[number:number + 2]:
        engines = Engines(plan, used(made))
        engines.call("mount")
        for ring in plan.rings:
            engines.call("unlock", ring.group.name)
            engines.call("touch", ring.group.name)
            assert Status.OK is engines.call("commit", ring.group.name)


def test_the_example_has_all_ways_to_keep_bytes() -> None:
    """Bytes of former fields, bytes of a later release, and none."""
    plans = tank_probe().plans
    assert {True, False} == {bool(r.reserved) for plan in plans for r in plan.rings}
    assert any(r.revision < new.ring(r.group.name).revision for old, new in pairwise(plans)
               for r in old.rings if r.group.name in {n.group.name for n in new.rings})
