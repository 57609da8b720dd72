"""Promises around commits: wipes, copies, texts, rules, values like a label, the last numbers."""

from __future__ import annotations

from itertools import count

import pytest

from paramstore.core.format import SEQUENCE_END, SEQUENCE_FULL, slot_of
from paramstore.core.status import Health, Status
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.located.source import SourceText
from paramstore.record import build_label, build_record
from paramstore.schema.reader import read_schema
from paramstore.verify.eeprom.faults import CutAtWrite, DeadPage, Tear, Torn
from tests.engines import PLANS, Engines
from tests.record.plans import EXAMPLE
from tests.releases.histories import tank_probe
from tests.verify.rig.stores import LIMITS, USED, image, mounted, with_fault

TEARS = [Tear(kind, 3, 5) for kind in Torn]


def plan_from(text: str) -> Plan:
    """The plan of a schema text."""
    return make_plan(read_schema(SourceText("test.toml", text))[0])


def rings(plan: Plan, memory: bytes) -> bytes:
    """The bytes of all rings, retired ones too."""
    return b"".join(memory[r.address(0):r.address(r.slots)]
                    for r in (*plan.rings, *plan.retired_sources))


# ---- Wipe ----


@pytest.mark.parametrize("plan", [EXAMPLE, PLANS["24LC01B"], tank_probe().plans[-1]],
                         ids=["FORMAT.md", "8-byte pages", "with a retired group"])
def test_a_wipe_leaves_no_byte_of_a_record(plan: Plan) -> None:
    """In any ring, whatever it held; the part is blank then, also for the host."""
    memory = bytearray(b"\xa5" * plan.part.capacity)
    engines = Engines(plan, bytes(memory))
    assert Status.ERR_FOREIGN is engines.call("mount")
    assert Status.OK is engines.call("wipe")
    assert {0xFF} == set(rings(plan, engines.device.memory))
    assert Status.BLANK is engines.call("mount")
    assert Status.OK is engines.call("format")


@pytest.mark.parametrize("tear", TEARS, ids=lambda t: t.kind.value)
def test_a_wipe_that_is_cut_is_refused_until_another_has_ended(tear: Tear) -> None:
    """Cut in each page write: the part is as before, refused, or blank; the next wipe ends it."""
    for write in count(1):
        engines = mounted()
        fault = CutAtWrite(engines.device.cycles + write, tear)
        with_fault(engines, lambda fault=fault: fault)
        status = engines.call("wipe")
        if status is Status.OK:
            break
        engines.each(lambda bench: bench.device.faults.clear())
        after = engines.call("mount")
        assert after in (Status.OK, Status.FLAGGED, Status.ERR_FOREIGN, Status.BLANK)
        if after is Status.BLANK:
            assert {0xFF} == set(rings(EXAMPLE, engines.device.memory))
        assert Status.OK is engines.call("wipe")
        assert {0xFF} == set(rings(EXAMPLE, engines.device.memory))
        assert Status.BLANK is engines.call("mount")
    assert write > 4


def test_a_wiped_value_never_comes_back() -> None:
    """A commit after wipe and format, cut between its pages: not the tail that was wiped."""
    engines = mounted(image(("limits", 1, {"current": (7,)}), ("limits", 2, {"current": (7,)}),
                            ("user", 1, {"high": (9,)})))
    for call in ("wipe", "mount", "format"):
        engines.call(call)
    engines.call("set", "user", "high", 0, (8,))
    with_fault(engines, lambda: CutAtWrite(engines.twin.bench.device.cycles + 2, Tear()))
    assert engines.call("commit", "user") is None
    engines.each(lambda bench: bench.device.faults.clear())
    assert Status.FLAGGED is engines.call("mount")
    assert EXAMPLE.schema.group("user").fields[2].default == engines.twin.values("user")["high"]
    assert Health.DEFAULTS in engines.twin.health("user")


# ---- Values that look like a label ----

TAGS = f"""
[store]
name = "tags"
part = "AT24C02D"

[group.tag]
role = "setting"
writes = "1 per day"
slots = 3

[group.tag.parameter]
data = {{ type = "bytes", size = 40, default = "{"00" * 40}" }}
"""


def test_no_value_makes_a_part_look_too_small() -> None:
    """Bytes of the label, at every offset, in every slot: mount serves them."""
    plan = plan_from(TAGS)
    ring, middle = plan.rings[0], plan.part.capacity // 2
    assert ring.address(0) < middle < ring.address(ring.slots)
    label = build_label(plan)
    for shift in range(len(label)):
        data = tuple((label * 4)[shift:shift + 40])
        engines = Engines(plan)
        engines.call("mount")
        engines.call("format")
        for _ in range(ring.slots):
            engines.call("set", "tag", "data", 0, data)
            engines.call("touch", "tag")
            assert Status.OK is engines.call("commit", "tag")
            assert Status.OK is engines.call("mount")
            assert data == engines.twin.values("tag")["data"]


@pytest.mark.parametrize("copy", [0, 1])
def test_a_part_that_is_too_small_is_refused(copy: int) -> None:
    """Whichever label copy is whole: what lies in the middle is what lies at the beginning."""
    memory = bytearray(USED)
    at = EXAMPLE.label_address(1 - copy)
    memory[at:at + 4] = b"\xff" * 4
    half = len(memory) // 2
    memory[half:] = memory[:half]
    assert Status.ERR_PART is Engines(EXAMPLE, bytes(memory)).call("mount")


# ---- Copies ----


def test_a_commit_that_is_cut_between_its_copies_is_told_and_mended() -> None:
    """The new values are there once: flagged until a refresh, which needs no key."""
    engines = mounted()
    engines.call("unlock", "limits")
    engines.call("set", "limits", "current", 0, (8,))
    first_of_second = LIMITS.slot_pages + 1
    with_fault(engines, lambda: CutAtWrite(
        engines.twin.bench.device.cycles + first_of_second, Tear()))
    assert engines.call("commit", "limits") is None
    engines.each(lambda bench: bench.device.faults.clear())
    assert Status.FLAGGED is engines.call("mount")
    assert ((8,), Health.COPIES) == (engines.twin.values("limits")["current"],
                                     engines.twin.health("limits"))
    assert Status.ERR_LOCKED is engines.call("set", "limits", "current", 0, (9,))
    assert Status.OK is engines.call("refresh", "limits")
    assert Status.OK is engines.call("mount")
    for slot in range(LIMITS.slots):
        hurt = bytearray(engines.device.memory)
        hurt[LIMITS.address(slot) + 6] ^= 0x10
        after = Engines(EXAMPLE, bytes(hurt))
        after.call("mount")
        assert (8,) == after.twin.values("limits")["current"]


@pytest.mark.parametrize("number", [1, 2])
def test_a_damaged_copy_is_told(number: int) -> None:
    """Whichever of the two it is; the values are there."""
    memory = bytearray(USED)
    memory[LIMITS.address(slot_of(number, LIMITS.slots)) + 8] ^= 1
    engines = mounted(bytes(memory), Status.FLAGGED)
    assert Health.COPIES in engines.twin.health("limits")
    assert (7,) == engines.twin.values("limits")["current"]


def test_copies_must_be_the_records_before() -> None:
    """An older record with the same body, behind one with another, is no copy."""
    engines = mounted(image(("limits", 1, {"current": (7,)}), ("limits", 2, {"current": (8,)}),
                            ("limits", 3, {"current": (7,)}), ("user", 1, {})), Status.FLAGGED)
    assert Health.COPIES == engines.twin.health("limits")


def test_a_commit_that_fails_leaves_old_or_new_values() -> None:
    """Whichever slots of a copied group are worn out; and every try uses all slots it may."""
    for dead in range(1 << LIMITS.slots):
        engines = mounted()
        for slot in range(LIMITS.slots):
            if dead >> slot & 1:
                page = LIMITS.address(slot) // LIMITS.page_bytes
                with_fault(engines, lambda page=page: DeadPage(page))
        engines.call("unlock", "limits")
        engines.call("set", "limits", "current", 0, (8,))
        tries = []
        for _ in range(3):
            writes = engines.device.cycles
            status = engines.call("commit", "limits")
            tries.append(engines.device.cycles - writes)
        assert tries[1] == tries[2] or status is Status.OK
        engines.call("mount")
        assert engines.twin.values("limits")["current"] in ((7,), (8,))
        if status is Status.OK:
            assert (8,) == engines.twin.values("limits")["current"]


def test_refresh_and_reload_need_a_record_and_a_label() -> None:
    """Else they say why, and nothing is written."""
    engines = Engines(EXAMPLE)
    engines.call("mount")
    for call in ("refresh", "reload"):
        assert Status.ERR_STATE is engines.call(call, "user")
    engines.call("format")
    assert Status.ERR_STATE is engines.call("refresh", "user")
    assert Status.FLAGGED is engines.call("reload", "user")


def test_reload_takes_what_the_part_holds() -> None:
    """Changes in RAM are gone; other groups keep theirs."""
    engines = mounted()
    engines.call("unlock", "limits")
    engines.call("set", "limits", "current", 0, (9,))
    engines.call("set", "user", "low", 0, (2,))
    assert Status.OK is engines.call("reload", "limits")
    assert (7,) == engines.twin.values("limits")["current"]
    assert Health(0) == engines.twin.health("limits")
    assert (2,) == engines.twin.values("user")["low"]


# ---- Texts ----


def test_nothing_counts_behind_the_end_of_a_text() -> None:
    """A shorter text over a longer one, written past the setter: the commit fills it with 0."""
    engines = mounted()
    engines.poke("user", "name", 0, tuple(b"longer"))
    engines.poke("user", "name", 0, tuple(b"new\0"))
    engines.call("touch", "user")
    assert Status.OK is engines.call("commit", "user")
    engines.call("mount")
    assert tuple(b"new\0\0\0") == engines.twin.values("user")["name"]


def test_a_text_without_an_end_is_not_committed() -> None:
    """All bytes of the field, and the one behind it that must be 0."""
    engines = mounted()
    machine = engines.native.machine
    index, field = engines.native._fields["user", "name"]
    address = machine.member(index)
    machine.write(address, b"toolong"[:field.count + 1])
    assert Status.OK is engines.native.touch("user")
    assert Status.ERR_LIMIT is engines.native.commit("user")
    machine.write(address + field.count, b"\0")
    assert Status.OK is engines.native.commit("user")


# Unicode standard 15.0, table 3-7, well-formed UTF-8 byte sequences: the ends of each row, and what
# lies just outside.
GOOD = ("00", "7F", "C280", "DFBF", "E0A080", "E0BFBF", "E18080", "ECBFBF", "ED8080", "ED9FBF",
        "EE8080", "EFBFBF", "F0908080", "F0BFBFBF", "F1808080", "F3BFBFBF", "F4808080", "F48FBFBF")
BAD = ("80", "BF", "C080", "C1BF", "C27F", "C2C0", "E09F80", "E0A07F", "E0A0C0", "EDA080", "EDBFBF",
       "F08F8080", "F0908041", "F4908080", "F5808080", "FF", "C2", "E0A0", "F09080", "41C2")


@pytest.mark.parametrize("text", [*GOOD, *BAD])
def test_texts_are_utf_8(text: str) -> None:
    """The ends of each row of the Unicode standard's table are good, their neighbours are not."""
    engines = mounted()
    data = bytes.fromhex(text)
    engines.poke("user", "name", 0, tuple(data.ljust(6, b"\0")))
    engines.call("touch", "user")
    assert (Status.OK if text in GOOD else Status.ERR_LIMIT) is engines.call("commit", "user")
    engines = Engines(EXAMPLE, image(("user", 1, {"name": tuple(data.ljust(6, b"\0"))})))
    engines.call("mount")
    flagged = Health(0) if text in GOOD else Health.LIMIT
    assert flagged == engines.twin.health("user")


# ---- Rules ----

PAIRS = """
[store]
name = "pairs"
part = "24LC32A"

[group.g]
role = "setting"
writes = "1 per day"

[group.g.parameter]
a = { type = "u8", max = 100, default = 10, below = "b" }
b = { type = "u8", max = 100, default = 20, below = "c" }
c = { type = "u8", max = 100, default = 30 }
low = { type = "u8", max = 100, default = 40, below = "high" }
high = { type = "u8", max = 100, default = 50 }
"""


@pytest.mark.parametrize(("stored", "served"), [
    ((1, 2, 3, 4, 5), (1, 2, 3, 4, 5)),
    ((2, 2, 80, 4, 5), (10, 20, 80, 4, 5)),  # a and b; c keeps its value
    ((1, 80, 3, 4, 5), (1, 20, 30, 4, 5)),  # b and c; a keeps its value
    ((25, 80, 3, 4, 5), (10, 20, 30, 4, 5)),  # b and c; then a is not below b's default
    ((1, 2, 3, 9, 5), (1, 2, 3, 40, 50)),
    ((101, 12, 13, 4, 5), (10, 12, 13, 4, 5)),  # outside its limits, and the default keeps the rule
    ((101, 9, 13, 4, 5), (10, 20, 30, 4, 5)),  # the default breaks it: b goes, and then c
])
def test_only_what_breaks_its_own_rule_gets_a_default(
    stored: tuple[int, ...], served: tuple[int, ...]
) -> None:
    """Both parameters of a broken rule, until all rules are kept; no others."""
    plan = plan_from(PAIRS)
    engines = Engines(plan)
    engines.call("mount")
    engines.call("format")
    engines.call("touch", "g")
    engines.call("commit", "g")
    memory = bytearray(engines.device.memory)
    ring = plan.rings[0]
    body = bytes(stored).ljust(ring.body_bytes, b"\xff")
    record = build_record(plan, ring, 2, body)
    memory[ring.address(1):ring.address(1) + len(record)] = record
    engines = Engines(plan, bytes(memory))
    assert (Status.OK if stored == served else Status.FLAGGED) is engines.call("mount")
    assert served == tuple(v[0] for v in engines.twin.values("g").values())


# ---- Numbers and many groups ----


def test_sequence_numbers_end() -> None:
    """The last one that begins a commit is acknowledged; no later one is, and none is written."""
    last = SEQUENCE_FULL - 1
    engines = Engines(EXAMPLE, image(("user", last, {"low": (1,)})))
    engines.call("mount")
    assert last == engines.twin.sequence("user")
    engines.call("set", "user", "low", 0, (2,))
    assert Status.OK is engines.call("commit", "user")
    assert (2,) == engines.twin.values("user")["low"]
    engines.call("set", "user", "low", 0, (3,))
    writes = engines.device.cycles
    assert Status.ERR_FULL is engines.call("commit", "user")
    assert writes == engines.device.cycles
    engines.call("mount")
    assert (2,) == engines.twin.values("user")["low"]


@pytest.mark.parametrize("number", [SEQUENCE_END, 0xFFFF_FFFE])
def test_greater_numbers_are_no_records(number: int) -> None:
    """However right their CRC is."""
    engines = Engines(EXAMPLE, image(("user", number, {"low": (1,)})))
    engines.call("mount")
    assert Health.DEFAULTS in engines.twin.health("user")


def test_commit_all_goes_on_behind_a_locked_group() -> None:
    """It says why one is not there, and commits the others."""
    engines = mounted()
    engines.call("unlock", "limits")
    engines.call("set", "limits", "current", 0, (9,))
    engines.call("lock", "limits")
    engines.call("set", "user", "low", 0, (2,))
    assert Status.ERR_LOCKED is engines.call("commit_all")
    assert (Health.DIRTY, Health(0)) == (engines.twin.health("limits"), engines.twin.health("user"))
