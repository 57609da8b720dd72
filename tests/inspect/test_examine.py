"""Examining a dump: everything that happened to a unit is found and said, once."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.errors import Severity
from paramstore.files.forms import FORMS, encode_image, read_dump
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.which import Candidate
from paramstore.record import build_record, encode_body
from paramstore.report.dump import dump_text
from paramstore.verify.eeprom.faults import DeadPage, Tear, Torn
from tests import codes
from tests.inspect.scenes import PLAN, change, cut_commit, used_unit

ONLY = (Candidate("bench_unit.toml", PLAN),)
RING = PLAN.ring("settings")
IMAGE = bytes(used_unit("settings", 6, random.Random(1)).bench.device.memory)


def examined(image: bytes) -> StoreExamination:
    return examine_store(read_dump(image, "x.bin", FORMS["bin"]), ONLY)


def told(image: bytes) -> list[str]:
    found = examined(image).findings
    return [f"{f.severity}[{f.code}] {f.message}" for f in found if f.code != "PS613"]


def put(image: bytes, address: int, data: bytes) -> bytes:
    return image[:address] + data + image[address + len(data):]


def record(sequence: int, interval: int = 77) -> bytes:
    return build_record(PLAN, RING, sequence, encode_body(RING, {"interval": (interval,)}))


def test_a_sound_unit_gives_no_findings() -> None:
    """Nothing is said of what is in order."""
    assert [] == told(IMAGE)


def test_an_interrupted_write_is_told_once_and_mends_itself() -> None:
    """The slot, the record that was coming, and the one that was there."""
    scene = cut_commit("settings", 15, 0, Tear(Torn.SUFFIX, 2))
    found = examined(scene.image)
    (finding,) = (f for f in found.findings if f.code != "PS613")
    assert Severity.WARNING is finding.severity
    assert ("group `settings`, slot 3 at 0x0FE0: the write of record 16 was cut just before its "
            "end; record 12 was there before") == finding.message
    assert "a CRC proves it" in finding.notes


def test_changed_bits_are_offered_not_applied() -> None:
    """The values stay those of the newest whole record; the bits that would mend it are named."""
    damaged = put(IMAGE, RING.address(0) + 6, bytes([IMAGE[RING.address(0) + 6] ^ 4]))
    found = examined(damaged)
    (finding,) = (f for f in found.findings if f.code != "PS613")
    assert "PS661" == finding.code
    assert f"bit 2 of 0x{RING.address(0) + 6:04X}" in finding.message
    assert damaged == found.contents.image


@pytest.mark.parametrize("bits", [1, 2])
def test_changed_bits_of_the_newest_record_are_an_error_whichever_way_they_went(bits: int) -> None:
    """A bit that is cleared looks like one of the old record as often as not: both causes are told,
    the record is offered, and no byte is called old."""
    at, chance = RING.address(1), random.Random(2)
    for _ in range(60):
        damaged = bytearray(IMAGE)
        for place in chance.sample(range(8 * RING.record_bytes), bits):
            damaged[at + place // 8] ^= 1 << place % 8
        found = examined(bytes(damaged))
        (finding,) = (f for f in found.findings if f.code != "PS613")
        assert ("PS661", Severity.ERROR) == (finding.code, finding.severity)
        assert f"record 6 with {('one', 'two')[bits - 1]} bit" in finding.message
        assert finding.message.endswith("or the write of record 6 was cut")
        verdict = found.slots["settings"][1]
        assert verdict.tear is None and verdict.repair is not None
        assert IMAGE[at:at + RING.record_bytes] == verdict.repair.data


def test_a_worn_page_and_bytes_in_free_pages() -> None:
    """Each has its own finding."""
    chance = random.Random(5)
    rig = used_unit("settings", 4, chance)
    rig.bench.device.faults = [DeadPage(RING.first_page + 1)]
    for _ in range(3):
        change("settings", chance)(rig)
        rig.commit("settings")
    assert ["warning[PS662] group `settings`, slot 1 at 0x0FA0: holds record 2, but number 6 came "
            "by: the page did not take it"] == told(bytes(rig.bench.device.memory))
    free = put(IMAGE, 0x800, b"abc")
    assert ["warning[PS668] 1 free page holds bytes"] == told(free)


@pytest.mark.parametrize("moved", [True, False])
def test_a_record_in_the_wrong_slot(moved: bool) -> None:
    """Whether the slot where it belongs has it too is told: a copy of it, or the record moved."""
    wandered = put(IMAGE, RING.address(2), IMAGE[RING.address(0):RING.address(0) + 32])
    if moved:
        wandered = put(wandered, RING.address(0), record(1))
    found = examined(wandered)
    (finding,) = (f for f in found.findings if f.code == "PS663")
    assert (() if moved else (5,)) == found.histories["settings"].twice
    assert (() if moved else ("the slot where it belongs holds it too",)) == finding.notes
    assert Severity.ERROR is finding.severity


def test_a_store_id_that_slots_agree_on_is_told() -> None:
    """Records of other firmware under the same layout are recognised without its label, if three
    agree."""
    from dataclasses import replace

    other = replace(PLAN, store_id=0x12345678)
    image = IMAGE
    for sequence in (1, 2, 3):
        image = put(image, RING.address(sequence - 1),
                    build_record(other, RING, sequence, encode_body(RING, {})))
    assert ["warning[PS664]"] * 3 == [t.split()[0] for t in told(image)]


def test_copies_that_were_changed_alike_are_no_strangers() -> None:
    """The CRC is linear: the same bit changed in each copy, as by hand in a dump, gives each the
    same wrong store id. What one bit explains needs no other store."""
    ring = PLAN.ring("identity")
    image = bytes(used_unit("identity", 1, random.Random(1)).bench.device.memory)
    for slot in (0, 1):
        at = ring.address(slot) + 9
        image = put(image, at, bytes([image[at] ^ 4]))
    assert ["PS661", "PS661"] == [c for c in (t.split("[")[1][:5] for t in told(image))
                                  if c != "PS612"]


def test_damage_that_nothing_explains_is_damage() -> None:
    """A slot that no commit was writing, and that is no record but for two bits."""
    assert ["error[PS665]"] == [t.split()[0] for t in told(
        put(IMAGE, RING.address(0) + 5, b"\x55\xaa\x55\xaa"))]


def test_a_ring_near_its_end_is_told() -> None:
    """Wear follows from the sequence number."""
    sequence = 3_600_000
    while (sequence - 1) % RING.slots:
        sequence += 1
    image = put(IMAGE, RING.address(0), record(sequence))
    wear = examined(image).wear["settings"]
    assert sequence // 4 + 1 == wear.writes and 0.9 < wear.used < 0.91
    assert wear.years_left < 120
    assert any("PS667" in t for t in told(image))


@pytest.mark.parametrize(("sequence", "is_told"), [
    (3_199_996, False), (3_199_997, True), (3_200_000, True)])
def test_four_fifths_of_a_life_are_near_its_end(sequence: int, is_told: bool) -> None:
    """Four slots, a million cycles each; a turn that was begun counts."""
    image = put(IMAGE, RING.address((sequence - 1) % RING.slots), record(sequence))
    assert is_told is any("PS667" in t for t in told(image))


@pytest.mark.parametrize(("pages", "message", "notes"), [
    (1, "1 free page holds bytes", 1), (2, "2 free pages hold bytes", 2),
    (8, "8 free pages hold bytes", 8), (9, "9 free pages hold bytes", 8)])
def test_bytes_in_free_pages_are_told_by_their_places(pages: int, message: str,
                                                      notes: int) -> None:
    """Up to eight of them; the others are counted."""
    image = IMAGE
    for page in range(pages):
        image = put(image, 0x800 + 64 * page, b"abc")
    (finding,) = (f for f in examined(image).findings if f.code == "PS668")
    assert (message, notes) == (finding.message, len(finding.notes))
    assert "0x0800 to 0x0802" == finding.notes[0]
    assert (pages == 9) is (finding.notes[-1] == "and 2 more")


def test_history_names_what_each_commit_changed() -> None:
    """Former values, oldest first; two copies of one commit are one."""
    image = IMAGE
    for sequence, interval in ((5, 10), (6, 20), (7, 20), (8, 30)):
        image = put(image, RING.address((sequence - 1) % 4), record(sequence, interval))
    history = examined(image).histories["settings"]
    assert [(5,), (6,), (7,), (8,)] == [c.sequences for c in history.commits]
    assert [[], [("interval", (10,), (20,))], [], [("interval", (20,), (30,))]] == [
        [(c.parameter.name, c.before["interval"], c.after["interval"]) for c in commit.changes]
        for commit in history.commits]
    identity = used_unit("identity", 2, random.Random(3))
    found = examined(bytes(identity.bench.device.memory)).histories["identity"]
    assert [2, 2] == [len(c.sequences) for c in found.commits][-2:] or (
        [1, 2] == [len(c.sequences) for c in found.commits][-2:])


@pytest.mark.parametrize("form", ["hex", "srec", "text", "c"])
def test_any_form_gives_the_same(form: str) -> None:
    """The same unit in another form is the same unit."""
    content = encode_image(IMAGE, FORMS[form])
    assert examined(IMAGE).contents == examine_store(read_dump(content, "x"), ONLY).contents


@given(st.lists(st.tuples(st.integers(0, 4095), st.integers(0, 255)), max_size=40))
@settings(max_examples=60)
def test_any_damage_is_examined(changes: list[tuple[int, int]]) -> None:
    """Whatever is changed in a dump, an examination comes out, and only known codes in it."""
    image = bytearray(IMAGE)
    for at, value in changes:
        image[at] = value
    found = examined(bytes(image))
    assert {f.code for f in found.findings} <= codes.IMAGE | codes.INSPECT


def test_a_change_in_a_long_array_is_told_by_its_elements() -> None:
    """Forty values twice would hide the one that changed."""
    rig = used_unit("curve", 4, random.Random(4))
    lines = dump_text(examined(bytes(rig.bench.device.memory))).splitlines()
    assert ["    record 3  steps[1]: 0 -> 34112 mV"] == [
        line for line in lines if line.startswith("    record 3")]
