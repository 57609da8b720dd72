"""Every torn kind of the fault model, at every kind of place: the findings name the slot, what
happened to it and what survives, as the simulated part did it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from paramstore.core.errors import Finding, Severity
from paramstore.files.forms import FORMS, read_dump
from paramstore.image.contents import unpack
from paramstore.inspect.salvage import salvage
from paramstore.inspect.slots import SlotKind
from paramstore.inspect.store import StoreExamination, examine_store
from paramstore.inspect.tear import ByteSource
from paramstore.inspect.which import Candidate
from paramstore.verify.eeprom.faults import Tear, Torn
from tests.inspect.scenes import PLAN, Scene, cut_commit, page_writes

ONLY = (Candidate("bench_unit.toml", PLAN),)
PAGE = PLAN.part.page
ERASED = b"\xff"
AT = (Torn.PREFIX, Torn.SUFFIX, Torn.ERASED_PREFIX)
BY_CHANCE = (Torn.MIX, Torn.NOISE)
GROUPS = ("identity", "settings", "curve")  # two copies; one page; three pages
COMMITS = (0, 1, 2, 7)  # a ring that is new, has begun, is nearly full, has gone round


def tears(kind: Torn, *, every: bool) -> Iterator[Tear]:
    """The tears of a kind: at the borders of what a page holds and inside it, or at each byte."""
    if kind in AT:
        for at in range(PAGE + 1) if every else (0, 1, 3, 4, 5, 9, 27, 29, 31, 32):
            yield Tear(kind, at)
    elif kind in BY_CHANCE:
        yield from (Tear(kind, 0, seed) for seed in range(40 if every else 3))
    else:
        yield Tear(kind)


def scenes(kind: Torn, group: str, *, every: bool = False) -> Iterator[Scene]:
    """One cut commit for each number of commits before it, page write, and tear."""
    for commits in COMMITS:
        for page in range(page_writes(group)):
            for tear in tears(kind, every=every):
                yield cut_commit(group, commits, page, tear)


def examined(scene: Scene) -> StoreExamination:
    return examine_store(read_dump(scene.image, "x.bin", FORMS["bin"]), ONLY)


def told(found: StoreExamination) -> list[Finding]:
    """The findings, but for groups that were never written: the scenes write one group only."""
    return [f for f in found.findings if f.code not in ("PS613", "PS619")]


def number_in(record: bytes) -> int | None:
    return None if record[:4] == ERASED * 4 else int.from_bytes(record[:4], "little")


def check_slots(scene: Scene, found: StoreExamination) -> SlotKind:
    """Only the slot that the cut hit is torn, and only if it holds neither record; one or two bits
    of a value may be the cut's or not, and both are said. Return its kind."""
    verdicts = found.slots[scene.ring.group.name]
    size = scene.ring.record_bytes
    torn, old, new = (data[:size] for data in (scene.torn, scene.old, scene.new))
    verdict = verdicts[scene.slot]
    assert all(v.kind.sound for v in verdicts if v is not verdict)
    if torn == new:
        assert SlotKind.CURRENT is verdict.kind
    elif torn == old:
        assert (SlotKind.ERASED if old == ERASED * size else SlotKind.OLDER) is verdict.kind
    elif verdict.kind is SlotKind.FLIPPED:  # so few bits are not the cut's for sure
        assert verdict.repair is not None and verdict.repair.data in (old, new)
        assert f"or the write of record {number_in(new)} was cut" in verdict.reason
    else:
        assert SlotKind.TORN is verdict.kind
        assert verdict.tear is not None
        assert (number_in(old), number_in(new)) == (
            verdict.tear.old_sequence, verdict.tear.new_sequence)
        assert verdict.tear.old in (None, old)
        assert verdict.tear.new in (None, new)
    return verdict.kind


def check_words(scene: Scene, found: StoreExamination, kind: SlotKind) -> None:
    """A torn slot is told in one warning with place and numbers, anything else in none. That the
    group is lost is told if the slot may have held its only record: nothing else ever was in the
    ring, and the end of the record is neither erased nor proven."""
    if kind is SlotKind.FLIPPED:
        assert ["PS661"] == [f.code for f in told(found)]
        return
    if kind is not SlotKind.TORN:
        assert [] == told(found)
        return
    *lost, finding = told(found)
    tear = found.slots[scene.ring.group.name][scene.slot].tear
    assert tear is not None
    doubtful = not (scene.sequence or tear.proven
                    or scene.torn[:scene.ring.record_bytes].endswith(ERASED * 4))
    assert [("PS612", Severity.ERROR)] * doubtful == [(f.code, f.severity) for f in lost]
    group, old, new = scene.ring.group.name, number_in(scene.old), number_in(scene.new)
    assert ("PS660", Severity.WARNING) == (finding.code, finding.severity)
    assert finding.message.startswith(
        f"group `{group}`, slot {scene.slot} at 0x{scene.address:04X}: ")
    assert f"record {new} was cut" in finding.message
    assert old is None or f"record {old} was" in finding.message


def check_values(scene: Scene, found: StoreExamination, kind: SlotKind) -> None:
    """What was acknowledged last is served, and salvaged; a whole record that nobody was told of
    counts like any other."""
    group = scene.ring.group.name
    contents = found.contents.group(group)
    number = contents.newest.record.sequence if contents.newest else 0
    assert scene.sequence + (kind is SlotKind.CURRENT) == number
    if kind is not SlotKind.CURRENT:
        assert scene.committed == contents.values
    for repair in (False, True):
        saved = unpack(PLAN, salvage(found, repair=repair).image).group(group)
        mended = found.slots[group][scene.slot].repair
        if repair and kind is SlotKind.FLIPPED and mended is not None and mended.data == (
                scene.new[:len(mended.data)]):  # what the person asked for
            assert saved.newest is not None
            assert mended.record.body == saved.newest.record.body
        else:
            assert contents.values == saved.values


def check_origins(scene: Scene, found: StoreExamination) -> None:
    """A byte whose origin is proven has it: it is that of the old record, of the new one, of
    both, FF, 00, a mixture of both, or none of these."""
    tear = found.slots[scene.ring.group.name][scene.slot].tear
    if tear is None:
        return
    for origin, sure, byte, old, new in zip(tear.sources, tear.sure, scene.torn, scene.old,
                                            scene.new, strict=False):
        right = {
            ByteSource.OLD: byte == old, ByteSource.NEW: byte == new,
            ByteSource.SAME: byte == old == new,
            ByteSource.ERASED: byte == 0xFF, ByteSource.CLEARED: byte == 0,
            ByteSource.MIXED: not (byte ^ old) & ~(old ^ new),
            ByteSource.OTHER: byte not in (old, new),
        }
        assert right[origin] or not sure


def check(scene: Scene) -> SlotKind:
    """Check everything that is said of a scene."""
    found = examined(scene)
    kind = check_slots(scene, found)
    check_words(scene, found, kind)
    check_values(scene, found, kind)
    check_origins(scene, found)
    return kind


@pytest.mark.parametrize("group", GROUPS)
@pytest.mark.parametrize("kind", list(Torn), ids=str)
def test_a_torn_slot_is_what_the_part_did(kind: Torn, group: str) -> None:
    """Each kind of tear, in each page write of a commit, on rings that are new to full."""
    kinds = {check(scene) for scene in scenes(kind, group)}
    if kind is Torn.OLD:
        assert SlotKind.TORN not in kinds or page_writes(group) > 1
    else:
        assert kinds & {SlotKind.TORN, SlotKind.CURRENT}


@pytest.mark.long
@pytest.mark.parametrize("group", GROUPS)
@pytest.mark.parametrize("kind", [*AT, *BY_CHANCE], ids=str)
def test_a_tear_at_every_byte_is_what_the_part_did(kind: Torn, group: str) -> None:
    """The same at each byte of a page, and with 40 seeds for each random kind."""
    for scene in scenes(kind, group, every=True):
        check(scene)
