"""Provisioning a part from a factory image: cut anywhere, the next boots end in the whole of it."""

from __future__ import annotations

from dataclasses import replace
from itertools import count

import pytest

from paramstore.core.status import Health, Status
from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.record import build_record, encode_body
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.faults import CutAtWrite, Tear, Torn
from tests.engines import Engines
from tests.production.jobs import plan

PLAN = plan()
VALUES = complete(PLAN, {
    "identity": {"serial": tuple(b"DP-0042\0\0\0"), "board": (3,)},
    "trim": {"low": (20,), "flow": (2.5,)}, "settings": {"quiet": (1,)}})
IMAGE = pack(PLAN, VALUES)
DEFAULTS = complete(PLAN, {})
TEARS = [Tear(kind, 5, 7) for kind in Torn]


def held(engines: Engines) -> dict[str, dict[str, tuple[int | float, ...]]]:
    """What a reader of the part finds in it."""
    contents = unpack(PLAN, bytes(engines.device.memory))
    return {g.ring.group.name: g.values for g in contents.groups}


def boot_and_provision(engines: Engines, image: bytes | None) -> Status | None:
    """What firmware does at each boot; None if the power was cut."""
    status = engines.call("mount")
    assert status in (Status.OK, Status.FLAGGED, Status.BLANK)
    return engines.call("provision", image)


def without(image: bytes, *groups: str) -> bytes:
    """The image with no record in some groups."""
    data = bytearray(image)
    for name in groups:
        ring = PLAN.ring(name)
        data[ring.address(0):ring.address(ring.slots)] = (
            b"\xff" * (ring.address(ring.slots) - ring.address(0)))
    return bytes(data)


PROTECTED = [ring.group.name for ring in PLAN.rings if ring.group.role.protected]


@pytest.mark.parametrize(("image", "values", "absent"), [
    (IMAGE, VALUES, []),
    (without(IMAGE, "trim"), VALUES | {"trim": DEFAULTS["trim"]}, ["trim"]),
    (None, DEFAULTS, PROTECTED),
])
def test_a_blank_part_is_provisioned(image: bytes | None,
                                values: dict[str, dict[str, tuple[int | float, ...]]],
                                absent: list[str]) -> None:
    """It is then as the image, byte by byte. A group without factory values gets no record and
    says so; no protected group gets defaults for a record."""
    engines = Engines(PLAN)
    assert Status.OK is boot_and_provision(engines, image)
    assert without(pack(PLAN, values), *absent) == engines.device.memory
    assert values == {name: engines.twin.values(name) for name in values}
    assert (Status.FLAGGED if absent else Status.OK) is engines.call("mount")
    assert absent == [name for name in values
                      if Health.DEFAULTS in engines.twin.health(name)]
    writes = engines.device.cycles
    assert Status.OK is engines.call("provision", image)
    assert writes == engines.device.cycles


@pytest.mark.parametrize("tear", TEARS, ids=lambda t: t.kind.value)
def test_a_cut_at_every_page_write_is_mended_at_the_next_boot(tear: Tear) -> None:
    """Cut in the provisioning, and again at each place of the next one: the third boot ends it."""
    seen = 0
    for first in count(1):
        engines = Engines(PLAN)
        engines.each(lambda bench, at=first: bench.device.faults.append(CutAtWrite(at, tear)))
        if boot_and_provision(engines, IMAGE) is not None:
            break
        start = bytes(engines.device.memory)
        for second in (1, 2, 3, 5, 8):
            again = Engines(PLAN, start)
            again.each(lambda bench, at=second: bench.device.faults.append(CutAtWrite(at, tear)))
            boot_and_provision(again, IMAGE)
            again.each(lambda bench: bench.device.faults.clear())
            assert Status.OK is boot_and_provision(again, IMAGE)
            assert VALUES == held(again)
            assert again.call("mount") in (Status.OK, Status.FLAGGED)
            seen += 1
    assert seen >= 50


def test_what_has_a_record_stays() -> None:
    """A user's settings, and a group that was lost gets its factory values back."""
    engines = Engines(PLAN)
    boot_and_provision(engines, IMAGE)
    engines.call("set", "settings", "label", 0, b"mine")
    engines.call("commit", "settings")
    ring = PLAN.ring("trim")

    def lose(bench: Bench) -> None:
        for slot in range(ring.slots):
            bench.device.memory[ring.address(slot) + 8] ^= 1

    engines.each(lose)
    assert Status.FLAGGED is engines.call("mount")
    assert Health.DEFAULTS in engines.twin.health("trim")
    assert Status.OK is engines.call("provision", IMAGE)
    after = held(engines)
    assert (VALUES["trim"], VALUES["identity"]) == (after["trim"], after["identity"])
    assert tuple(b"mine") == after["settings"]["label"][:4]


def half_a_record() -> bytes:
    """The image with one page of a record erased."""
    at = PLAN.ring("trim").address(0)
    return IMAGE[:at] + b"\xff" * PLAN.part.page + IMAGE[at + PLAN.part.page:]


def used(first: int, behind: bool) -> bytes:
    """The image with record `first` of a group in slot 0, and maybe one behind its copies."""
    ring, data = PLAN.ring("settings"), bytearray(IMAGE)
    body = encode_body(ring, VALUES["settings"])
    copies = ring.group.copies
    for slot, number in ((0, first), *([(copies, copies + 1)] if behind else [])):
        record = build_record(PLAN, ring, number, body)
        data[ring.address(slot):ring.address(slot) + len(record)] = record
    return bytes(data)


def wrong_images() -> dict[str, bytes]:
    """Images that must not be taken."""
    damaged = bytearray(IMAGE)
    damaged[PLAN.ring("settings").address(0) + 7] ^= 0x10
    other = pack(replace(PLAN, release=1), VALUES)
    return {"damaged": bytes(damaged), "another release": other, "erased": b"\xff" * len(IMAGE),
            "half a record": half_a_record(),
            "a unit in use": used(1, behind=True),
            "a unit in use for long": used(PLAN.ring("settings").slots + 1, behind=False)}


@pytest.mark.parametrize("name", wrong_images())
def test_a_wrong_image_is_refused_before_anything_is_written(name: str) -> None:
    """Damaged, of another layout or release, or a dump of a unit in use."""
    engines = Engines(PLAN)
    assert Status.ERR_LAYOUT is boot_and_provision(engines, wrong_images()[name])
    assert 0 == engines.device.cycles


def test_values_outside_their_limits_are_not_committed() -> None:
    """An image with a right CRC can still hold what the schema forbids."""
    ring = PLAN.ring("settings")
    image = bytearray(IMAGE)
    record = build_record(PLAN, ring, 1, encode_body(ring, {**VALUES["settings"], "quiet": (9,)}))
    image[ring.address(0):ring.address(0) + len(record)] = record
    engines = Engines(PLAN)
    assert Status.ERR_LIMIT is boot_and_provision(engines, bytes(image))
    assert VALUES["trim"] == held(engines)["trim"]


def test_a_foreign_part_is_refused() -> None:
    """As by every other call that writes."""
    engines = Engines(PLAN, bytes(range(256)) * (PLAN.part.capacity // 256))
    assert Status.ERR_FOREIGN is engines.call("mount")
    assert Status.ERR_FOREIGN is engines.call("provision", IMAGE)
    assert 0 == engines.device.cycles


def test_it_must_be_mounted_first() -> None:
    """Else nothing is known of the part."""
    engines = Engines(PLAN)
    assert [Status.ERR_STATE] * 2 == [rig.provision(IMAGE)
                                      for rig in (engines.twin, engines.native)]


def test_protected_groups_are_locked_again() -> None:
    """After a provisioning, and after one that failed."""
    engines = Engines(PLAN)
    engines.call("mount")
    engines.each(lambda bench: setattr(bench, "supply_good", False))
    assert Status.ERR_SUPPLY is engines.call("provision", IMAGE)
    engines.each(lambda bench: setattr(bench, "supply_good", True))
    assert Status.OK is engines.call("provision", IMAGE)
    assert Status.ERR_LOCKED is engines.call("set", "identity", "board", 0, (4,))
