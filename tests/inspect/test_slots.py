"""Slots are named for what the simulated part did to them, with the right surviving values."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.image.contents import unpack
from paramstore.inspect.classify import classify_slots
from paramstore.inspect.slots import SlotKind, SlotVerdict
from paramstore.inspect.tear import ByteSource
from paramstore.verify.eeprom.faults import CutAtWrite, DeadPage, PowerCut, Tear, Torn
from tests.inspect.scenes import PLAN, Scene, change, cut_commit, page_writes, used_unit

GROUPS = ("identity", "settings", "curve")


@st.composite
def scenes(draw: st.DrawFn) -> Scene:
    """Any torn kind, in any page of a commit, on a ring that is new, in use or full."""
    group = draw(st.sampled_from(GROUPS))
    tear = Tear(draw(st.sampled_from(list(Torn))), draw(st.integers(0, 32)),
                draw(st.integers(0, 1000)))
    return cut_commit(group, draw(st.integers(0, 9)), draw(st.integers(0, page_writes(group) - 1)),
                      tear, draw(st.integers(0, 99)))


def verdicts(scene: Scene) -> tuple[SlotVerdict, ...]:
    return classify_slots(unpack(scene.plan, scene.image))[scene.ring.group.name]


def expected_kind(scene: Scene) -> SlotKind:
    size = scene.ring.record_bytes
    if scene.torn[:size] == scene.new[:size]:
        return SlotKind.CURRENT
    if scene.torn[:size] != scene.old[:size]:
        return SlotKind.TORN
    return SlotKind.ERASED if scene.old == b"\xff" * len(scene.old) else SlotKind.OLDER


@given(scenes())
@settings(max_examples=150)
def test_every_torn_kind_is_named(scene: Scene) -> None:
    """The slot that the cut hit is torn if its record is neither the old one nor the new one; no
    other slot is, and the values are those that were acknowledged last."""
    contents = unpack(scene.plan, scene.image).group(scene.ring.group.name)
    found = verdicts(scene)
    kind = expected_kind(scene)
    verdict = found[scene.slot]
    if kind is SlotKind.TORN and verdict.kind is SlotKind.FLIPPED:  # a bit or two: both are said
        assert verdict.cut == int.from_bytes(scene.new[:4], "little")
    else:
        assert kind is verdict.kind
    assert all(v.kind.sound for v in found if v.slot.number != scene.slot)
    if kind is not SlotKind.CURRENT:
        assert scene.sequence == (contents.newest.record.sequence if contents.newest else 0)
        assert scene.committed == contents.values


@given(scenes())
@settings(max_examples=150)
def test_origins_are_what_the_part_did(scene: Scene) -> None:
    """A byte that is surely old is the old one, new the new one, erased FF, for every byte."""
    tear = verdicts(scene)[scene.slot].tear
    if tear is None:
        return
    for at, origin in enumerate(tear.sources):
        if not tear.sure[at]:
            continue
        byte, old, new = scene.torn[at], scene.old[at], scene.new[at]
        match origin:
            case ByteSource.OLD:
                assert byte == old
            case ByteSource.NEW:
                assert byte == new
            case ByteSource.SAME:
                assert byte == old == new
            case ByteSource.ERASED:
                assert 0xFF == byte
            case ByteSource.CLEARED:
                assert 0 == byte
            case ByteSource.MIXED:
                assert 0 == (byte ^ old) & ~(old ^ new) and byte not in (old, new)
            case ByteSource.OTHER:
                assert byte not in (old, new)


@given(scenes())
@settings(max_examples=100)
def test_a_proven_record_is_the_one_that_was_there_or_came(scene: Scene) -> None:
    """What a CRC proves is what the simulator saw, byte for byte."""
    tear = verdicts(scene)[scene.slot].tear
    size = scene.ring.record_bytes
    if tear is not None and tear.old is not None:
        assert scene.old[:size] == tear.old
    if tear is not None and tear.new is not None:
        assert scene.new[:size] == tear.new
    if tear is not None and scene.old[:4] != b"\xff" * 4:
        assert int.from_bytes(scene.old[:4], "little") == tear.old_sequence
        assert int.from_bytes(scene.new[:4], "little") == tear.new_sequence


CLEAN = [Tear(Torn.PREFIX, 3), Tear(Torn.SUFFIX, 2), Tear(Torn.SUFFIX, 5)]


@pytest.mark.parametrize("tear", CLEAN, ids=str)
def test_clean_tears_of_a_header_are_proven(tear: Tear) -> None:
    """A tear in the part of a record that is known is proven, and told byte by byte."""
    scene = cut_commit("settings", 15, 0, tear)  # 12 to 16: three bits of the number
    found = verdicts(scene)[scene.slot].tear
    assert found is not None and found.proven


def test_a_worn_page_is_told() -> None:
    """A slot that did not take a record is named with the number that passed it over."""
    chance = random.Random(5)
    rig = used_unit("settings", 4, chance)
    rig.bench.device.faults = [DeadPage(PLAN.ring("settings").first_page + 1)]
    for _ in range(3):
        change("settings", chance)(rig)
        assert not rig.commit("settings").failed
    contents = unpack(PLAN, bytes(rig.bench.device.memory))
    found = classify_slots(contents)["settings"]
    assert [SlotKind.OLDER, SlotKind.WORN, SlotKind.OLDER, SlotKind.CURRENT] == [
        v.kind for v in found]
    assert "holds record 2, but number 6 came by: the page did not take it" == found[1].reason
    assert rig.values("settings") == contents.group("settings").values


@pytest.mark.parametrize("kind", [Torn.PREFIX, Torn.SUFFIX, Torn.MIX, Torn.ERASED_PREFIX])
def test_a_cut_behind_a_worn_page_is_torn_too(kind: Torn) -> None:
    """A commit that passed over a slot and was cut in the next one leaves that one torn."""
    rig = used_unit("settings", 17, random.Random(5))
    device, ring = rig.bench.device, PLAN.ring("settings")
    device.faults = [DeadPage(ring.first_page + 1), CutAtWrite(device.cycles + 2, Tear(kind, 7, 3))]
    change("settings", random.Random(6))(rig)
    with pytest.raises(PowerCut):
        rig.commit("settings")
    found = classify_slots(unpack(PLAN, bytes(device.memory)))["settings"]
    assert [SlotKind.CURRENT, SlotKind.OLDER, SlotKind.TORN, SlotKind.OLDER] == [
        v.kind for v in found]
    assert found[2].tear is not None and (15, 19) == (
        found[2].tear.old_sequence, found[2].tear.new_sequence)


def test_a_cleared_page_is_torn_even_if_two_bits_are_all_it_lost() -> None:
    """A record of zeros with the number 1: cleared, it is two bits away from what it was."""
    for seed in range(30):
        scene = cut_commit("curve", 3, 0, Tear(Torn.ZEROS), seed)
        found = verdicts(scene)[scene.slot]
        assert SlotKind.TORN is found.kind
    repairs = [verdicts(cut_commit("curve", 3, 0, Tear(Torn.ZEROS), s))[0].repair
               for s in range(30)]
    assert any(r is not None for r in repairs)
