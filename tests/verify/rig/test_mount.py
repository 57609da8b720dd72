"""What mount makes of a part: records, damage, and labels that are not ours.

Every call goes to both engines, which must not be told apart by anything (see `engines`).
"""

from dataclasses import replace

import pytest

from paramstore.core.checksum import crc32c
from paramstore.core.format import slot_of
from paramstore.core.status import Health, Status
from paramstore.layout.plan import Plan
from paramstore.record import build_label, build_record, encode_body
from paramstore.schema.part import Part
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import Fault
from tests.engines import Engines
from tests.record.plans import EXAMPLE, part
from tests.releases.histories import tank_probe
from tests.verify.rig.stores import USED, USER, image, mounted, with_fault
from tests.verify.twin import rings

# ---- Records ----


def test_values_outside_limits_become_defaults() -> None:
    """A record that other firmware wrote is mended parameter by parameter, and flagged."""
    engines = mounted(image(
        ("limits", 1, {"current": (4001,), "gain": (2.0,), "flow.x": (1, 2, 3)}),
        ("user", 1, {"low": (5,), "high": (4,), "name": tuple(b"abc\0\0\0")}),
    ), Status.FLAGGED)
    limits, user = engines.twin.values("limits"), engines.twin.values("user")
    assert ((2500,), (2.0,), (1, 2, 3)) == (limits["current"], limits["gain"], limits["flow.x"])
    assert ((-3,), (4,), tuple(b"abc\0\0\0")) == (user["low"], user["high"], user["name"])
    assert (Health.LIMIT | Health.COPIES, Health.LIMIT) == (engines.twin.health("limits"),
                                                            engines.twin.health("user"))


def test_axis_that_does_not_rise_takes_its_curve_with_it() -> None:
    """x and y of a curve belong together."""
    engines = mounted(image(("limits", 1, {"flow.x": (3, 2, 1), "flow.y": (7, 7, 7)})),
                      Status.FLAGGED)
    values = engines.twin.values("limits")
    assert ((0, 50, 100), (-5, 300, 700)) == (values["flow.x"], values["flow.y"])


def test_damaged_record_gives_way_to_the_one_before() -> None:
    """Any flipped bit of the newest record: the record before it is served, with a flag."""
    for at in range(USER.record_bytes):
        memory = bytearray(image(("user", 1, {"low": (1,)}), ("user", 2, {"low": (2,)})))
        memory[USER.address(1) + at] ^= 1 << at % 8
        engines = mounted(bytes(memory), Status.FLAGGED)
        assert ((1,), 1) == (engines.twin.values("user")["low"], engines.twin.sequence("user"))
        assert Health.DAMAGE == engines.twin.health("user")


def test_group_without_a_readable_record_has_defaults() -> None:
    """Damage beyond the copies is told, never served."""
    memory = bytearray(USED)
    memory[USER.address(0) + 6] ^= 4
    engines = mounted(bytes(memory), Status.FLAGGED)
    assert (-3,) == engines.twin.values("user")["low"]
    assert Health.DEFAULTS | Health.DAMAGE == engines.twin.health("user")


def test_record_of_another_group_or_store_is_not_taken() -> None:
    """Store and group lead the CRC, so a misplaced record is damage."""
    ring = replace(USER, group=replace(USER.group, id=9))
    body = encode_body(USER, {"low": (1,)})
    for record in (build_record(EXAMPLE, ring, 1, body),
                   build_record(replace(EXAMPLE, store_id=5), USER, 1, body)):
        memory = bytearray(image())
        memory[USER.address(0):USER.address(0) + len(record)] = record
        engines = mounted(bytes(memory), Status.FLAGGED)
        assert Health.DEFAULTS | Health.DAMAGE == engines.twin.health("user")


class Flicker(Fault):
    """One byte of the second slot of `user` reads wrong the first `times`."""

    def __init__(self, offset: int, mask: int, times: int) -> None:
        self.address = USER.address(1) + offset
        self.mask = mask
        self.times = times

    def read(self, address: int, value: int) -> int:
        if address != self.address:
            return value
        self.times -= 1
        return value ^ self.mask if self.times >= 0 else value


@pytest.mark.parametrize(
    ("offset", "mask", "times", "expected", "flagged"),
    [
        (5, 0x01, 1, (2, 2), False),  # the newest record does not load: it is read again
        (5, 0x01, 2, (1, 1), True),  # twice: the one before it
        (0, 0x06, 1, (2, 2), True),  # its head reads 4 at first, and not then
        (0, 0x06, 6, (1, 1), True),  # and in the scan: no record takes another's number
    ],
)
def test_cell_that_reads_two_ways_is_told(
    offset: int, mask: int, times: int, expected: tuple[int, int], flagged: bool
) -> None:
    """A record that does not load as its head promised, twice, gives way, with a flag."""
    engines = Engines(EXAMPLE, image(("user", 1, {"low": (1,)}), ("user", 2, {"low": (2,)})))
    with_fault(engines, lambda: Flicker(offset, mask, times))
    assert Status.FLAGGED is engines.call("mount")  # the other group has no record
    assert expected == (engines.twin.sequence("user"), engines.twin.values("user")["low"][0])
    assert (Health.DAMAGE if flagged else Health(0)) == engines.twin.health("user")


class Fading(Fault):
    """A byte of each record reads right once at most: the newest one's never, the others' in the
    scan, but not when they are loaded."""

    def __init__(self, plan: Plan, newest: int) -> None:
        ring = plan.rings[0]
        self.left = {ring.address(slot_of(s, ring.slots)) + 5: s < newest
                     for s in range(1, newest + 1)}

    def read(self, address: int, value: int) -> int:
        right = self.left.get(address, True)
        if address in self.left:
            self.left[address] = False
        return value if right else value ^ 1


def test_records_that_read_once_end_in_defaults() -> None:
    """However many records there are to try, mount gives up after a few, and says so."""
    plan = rings.ring_plan(6)
    engines = Engines(plan, bytes(rings.image(plan, 6)))
    with_fault(engines, lambda: Fading(plan, 6))
    assert Status.FLAGGED is engines.call("mount")
    assert Health.DEFAULTS | Health.DAMAGE == engines.twin.health("count")


@pytest.mark.parametrize("slots", [6, 10])
def test_both_engines_find_the_same_record_in_a_damaged_ring(slots: int) -> None:
    """Heads that might lead a bisection astray, or overflow its sums, mislead neither engine."""
    plan = rings.ring_plan(slots)
    engines = Engines(plan)
    for newest in range(0, slots + 3, 2):
        memory = rings.image(plan, newest)
        for slot in (0, 1, slots // 2, slots - 1):
            for copy in rings.damaged(plan.rings[0], memory, slot):
                for rig in (engines.twin, engines.native):
                    rig.bench.device.memory[:] = copy
                engines.restart(power=True)
                engines.call("mount")
                left = rings.newest_left(plan, memory, slot, copy)
                assert left == engines.twin.sequence("count")


# ---- Labels ----

_OTHER_SIZE = replace(EXAMPLE, schema=replace(EXAMPLE.schema, part=part(2048, 16)))


@pytest.mark.parametrize(
    ("label", "expected"),
    [
        (build_label(replace(EXAMPLE, store_id=5)), Status.ERR_FOREIGN),
        (build_label(replace(EXAMPLE, layout_id=5)), Status.ERR_LAYOUT),
        (build_label(replace(EXAMPLE, release=5)), Status.ERR_LAYOUT),
        (build_label(_OTHER_SIZE), Status.ERR_PART),
        (b"something else", Status.ERR_FOREIGN),
    ],
)
def test_part_that_is_not_ours_is_left_alone(label: bytes, expected: Status) -> None:
    """Mount says why; nothing is written until the part is wiped."""
    engines = mounted(image(label=label), expected)
    engines.call("set", "user", "low", 0, [2])
    for call in (("format",), ("commit", "user"), ("commit_all",)):
        assert Status.ERR_FOREIGN is engines.call(*call)
    assert 0 == engines.device.cycles
    assert Status.OK is engines.call("wipe")
    assert Status.BLANK is engines.call("mount")
    assert Status.OK is engines.call("format")


def test_later_release_in_another_format_is_left_alone() -> None:
    """A later release is trusted to have left everything in place; another format is not."""
    past = tank_probe()
    label = build_label(past.plan(4))
    front = label[:4] + b"\x02" + label[5:-4]
    for copy, expected in ((label, Status.OK),
                           (front + crc32c(front).to_bytes(4, "little"),
                            Status.ERR_LAYOUT)):
        engines = Engines(past.plan(3))
        engines.call("mount")
        engines.call("format")
        for groups in past.plan(3).rings:
            engines.call("unlock", groups.group.name)
            engines.call("touch", groups.group.name)
            engines.call("commit", groups.group.name)
        for number in (0, 1):
            at = past.plan(3).label_address(number)
            engines.each(lambda bench, at=at, copy=copy: bench.device.memory.__setitem__(
                slice(at, at + len(copy)), copy))
        engines.restart(power=True)
        assert expected is engines.call("mount")


def with_part(small: Part, memory: bytes = b"") -> Engines:
    """Both engines of a store on a part that is not the planned one."""
    engines = Engines(EXAMPLE)
    engines.each(lambda bench: setattr(bench, "device", Device(small, 0x50, memory)))
    return engines


def test_part_of_half_the_size_is_recognised() -> None:
    """Where addresses wrap early the label shows again in the middle of the range."""
    for half in (part(512, 16), part(256, 16)):
        assert Status.ERR_PART is with_part(half, USED[:half.capacity]).call("mount")
        blank = with_part(half)
        assert Status.BLANK is blank.call("mount")
        assert Status.ERR_PART is blank.call("format")
        blank.call("set", "user", "low", 0, [2])
        assert Status.ERR_FOREIGN is blank.call("commit", "user")


def test_one_damaged_label_copy_is_flagged_and_mended() -> None:
    """Either copy is enough; format writes both anew."""
    for copy in (0, 1):
        memory = bytearray(USED)
        memory[EXAMPLE.label_address(copy) + 9] ^= 1
        engines = mounted(bytes(memory), Status.FLAGGED if copy == 0 else Status.OK)
        assert Status.OK is engines.call("format")
        assert USED == engines.device.memory
        assert Status.OK is engines.call("mount")


def test_records_outlive_both_labels() -> None:
    """With no readable label but valid records the values are served, and commits wait for
    format."""
    engines = mounted(b"\xff" * 64 + USED[64:], Status.FLAGGED)
    engines.call("set", "user", "low", 0, [2])
    assert Status.ERR_STATE is engines.call("commit", "user")
    assert Status.OK is engines.call("format")
    assert Status.OK is engines.call("commit", "user")
