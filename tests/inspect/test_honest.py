"""Causes that look alike are both said, and a cause is never more than the bytes can show."""

from __future__ import annotations

import random

import pytest

from paramstore.core.errors import Severity
from paramstore.core.status import Status
from paramstore.files.forms import FORMS, Form, read_dump
from paramstore.image.pack import pack
from paramstore.inspect.salvage import salvage
from paramstore.inspect.slots import SlotKind
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.which import Candidate
from paramstore.layout.plan import Ring
from tests.inspect.scenes import PLAN, change, on_part, used_unit

ONLY = (Candidate("bench_unit.toml", PLAN),)
RING = PLAN.ring("settings")
CURVE = PLAN.ring("curve")


def unit(**commits: int) -> bytes:
    """A unit with all values, of which groups were committed so often."""
    rig, chance = on_part(pack(PLAN, {g.name: {f.name: f.default for f in g.fields}
                                      for g in PLAN.schema.groups})), random.Random(1)
    for group, count in commits.items():
        for _ in range(count):
            assert change(group, chance)(rig) is Status.OK
            assert rig.commit(group) is Status.OK
    return bytes(rig.bench.device.memory)


IMAGE = unit(settings=5)
"""Six records in four slots."""
CURVES = unit(settings=5, curve=4)


def examined(image: bytes, form: Form = FORMS["bin"]) -> StoreExamination:
    return examine_store(read_dump(image, "x", form), ONLY)


def with_bits(image: bytes, ring: Ring, slot: int, *places: int) -> bytes:
    """The image with bits of a record the other way round."""
    changed = bytearray(image)
    for place in places:
        changed[ring.address(slot) + place // 8] ^= 1 << place % 8
    return bytes(changed)


def codes(found: StoreExamination) -> list[tuple[str, Severity]]:
    return [(f.code, f.severity) for f in found.findings if f.code not in ("PS613", "PS619")]


# ---- Other stores -------------------------------------------------------------------------------


def test_a_damaged_slot_copied_to_another_is_no_other_store() -> None:
    """The same bytes twice agree on anything; nobody wrote a record of another store."""
    damaged = bytearray(IMAGE)
    for offset in (5, 7, 9):
        damaged[RING.address(0) + offset] ^= 0x5A
    size = RING.record_bytes
    damaged[RING.address(2):RING.address(2) + size] = damaged[
        RING.address(0):RING.address(0) + size]
    found = examined(bytes(damaged))
    assert not any(v.kind is SlotKind.OTHER_STORE for v in found.slots["settings"])
    assert "PS664" not in [code for code, _ in codes(found)]


def test_two_copies_changed_alike_in_three_bytes_are_no_other_store() -> None:
    """The CRC is linear: records that differ agree, too, if the same bits of each were changed."""
    ring = PLAN.ring("identity")
    damaged = bytearray(used_unit("identity", 1, random.Random(1)).bench.device.memory)
    for slot in (0, 1):
        for offset in (5, 7, 9):
            damaged[ring.address(slot) + offset] ^= 0x5A
    assert "PS664" not in [code for code, _ in codes(examined(bytes(damaged)))]


# ---- One or two bits in the slot that is written next -------------------------------------------

NEXT = 6 % RING.slots
"""The slot of record 7, which is to replace record 3."""


@pytest.mark.parametrize("bits", [1, 2])
def test_bits_of_the_slot_that_is_next_cost_nothing_whatever_changed_them(bits: int) -> None:
    """A cut that left the old record but for a bit or two, or bits that changed by themselves: both
    are said, as a warning, for the newest record is whole either way."""
    chance = random.Random(3)
    for _ in range(120):
        places = chance.sample(range(8 * RING.record_bytes), bits)
        found = examined(with_bits(IMAGE, RING, NEXT, *places))
        assert [("PS661", Severity.WARNING)] == codes(found)
        (verdict,) = (v for v in found.slots["settings"] if not v.kind.sound)
        assert SlotKind.FLIPPED is verdict.kind and verdict.cut == 7
        assert verdict.reason.startswith(f"record 3 with {('one', 'two')[bits - 1]} bit")
        assert verdict.reason.endswith("or the write of record 7 was cut")


def test_bits_of_any_other_old_record_are_an_error() -> None:
    """No write was going on there."""
    found = examined(with_bits(IMAGE, RING, (NEXT + 1) % RING.slots, 50))
    assert [("PS661", Severity.ERROR)] == codes(found)


# ---- Salvage ------------------------------------------------------------------------------------


def test_a_salvage_that_writes_an_older_record_is_not_complete() -> None:
    """The newest record lost a bit: the one before is written, and that is said."""
    broken = with_bits(IMAGE, RING, 1, 50)
    saved = salvage(examined(broken))
    assert not saved.complete and 5 == saved.sources[1].sequence
    assert salvage(examined(broken), repair=True).complete
    assert salvage(examined(with_bits(IMAGE, RING, NEXT, 50))).complete


def test_a_salvage_beside_a_record_that_nothing_mends_is_not_complete() -> None:
    """What is left of the newest record has its number: it may have been whole once."""
    broken = bytearray(IMAGE)
    for offset in (6, 8, 9, 11):
        broken[RING.address(1) + offset] ^= 0x5A
    saved = salvage(examined(bytes(broken)))
    assert not saved.complete
    newer = saved.sources[1].newer
    assert newer is not None and newer.slot.number == 1


def test_a_salvage_of_a_dump_without_a_slot_is_not_complete() -> None:
    """The slot that was not read may hold a newer record."""
    text = FORMS["text"], bytes(IMAGE)
    lines = [f"{at:04X}: {text[1][at:at + 16].hex(' ')}" for at in range(0, len(IMAGE), 16)
             if not RING.address(NEXT) <= at < RING.address(NEXT + 1)]
    saved = salvage(examined("\n".join(lines).encode(), FORMS["text"]))
    assert not saved.complete and saved.sources[1].newer is not None


# ---- Lines that are missing ---------------------------------------------------------------------


@pytest.mark.parametrize("first", [64, 0x800, CURVE.address(1) - 32])
def test_a_record_before_its_place_shows_that_bytes_are_missing(first: int) -> None:
    """Without addresses a missing line moves all behind it: that is never read as erased."""
    missing = CURVES[:first] + CURVES[first + 16:]
    for content, form in ((missing, FORMS["bin"]),
                          ("\n".join(missing[at:at + 16].hex(" ") for at in range(
                              0, len(missing), 16)).encode(), FORMS["text"])):
        found = examined(content, form)
        assert ("PS659", Severity.ERROR) in codes(found)
        assert "16 bytes before its place" in " ".join(
            f.message for f in found.findings if f.code == "PS659")
        for group in found.contents.groups:
            begins = found.slots[group.ring.group.name][0].slot.address
            assert group.may_be_in_gaps or begins < first
            assert not group.blank


def test_a_line_that_is_there_twice_moves_the_rest() -> None:
    """The same the other way."""
    twice = CURVES[:0x800] + CURVES[0x7F0:]
    found = examined(twice)
    assert ("PS659", Severity.ERROR) in codes(found)
    assert "16 bytes behind its place" in " ".join(f.message for f in found.findings)


# ---- A cut, or damage ---------------------------------------------------------------------------


def test_bytes_of_both_copies_changed_are_no_two_cuts() -> None:
    """Nothing proves that a write was cut, and two of one commit can hardly have been."""
    ring = PLAN.ring("identity")
    for seed in range(20):
        chance, damaged = random.Random(seed), bytearray(unit())
        for slot in (0, 1):
            for place in chance.sample(range(5, ring.record_bytes - 4), 2):
                damaged[ring.address(slot) + place] ^= chance.choice((0x5A, 0xA7, 0x3C))
        found = examined(bytes(damaged))
        for verdict in found.slots["identity"][:2]:
            assert "was cut" not in verdict.reason or verdict.reason.startswith(
                f"the write of record {verdict.slot.number + 1} was cut, or the slot is damaged")


def test_a_cut_that_the_bytes_show_is_one() -> None:
    """A record whose end was never written: FF stands where its CRC belongs."""
    at = CURVE.address(2)
    torn = bytearray(CURVES)
    torn[at:at + CURVE.record_bytes] = bytes([3, 0, 0, 0]) + b"\xff" * (CURVE.record_bytes - 4)
    reasons = [v.reason for v in examined(bytes(torn)).slots["curve"]]
    assert not any("or the slot" in reason for reason in reasons)
