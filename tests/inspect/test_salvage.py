"""A salvaged image is clean, holds the newest whole values, and says where they come from."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings

from paramstore.core.disk import read_text
from paramstore.core.scalars import Raw
from paramstore.core.status import Health, Status
from paramstore.files.forms import FORMS, Dump, read_dump
from paramstore.image.contents import Contents, unpack
from paramstore.image.pack import pack
from paramstore.inspect.differ import (
    ByteRange,
    Difference,
    byte_differences,
    given_values,
    value_differences,
)
from paramstore.inspect.examination import Absence
from paramstore.inspect.salvage import SourceKind, salvage
from paramstore.inspect.store import StoreExamination, examine_store, store_values
from paramstore.inspect.store_places import StorePlaces
from paramstore.inspect.which import Candidate, candidates_of
from paramstore.record import build_record, encode_body
from paramstore.releases.values import ValueOrigin
from paramstore.schema.model import Kind, Parameter
from tests.inspect.scenes import PLAN, Scene, on_part, used_unit
from tests.inspect.test_slots import scenes

RING = PLAN.ring("settings")
IMAGE = bytes(used_unit("settings", 6, random.Random(1)).bench.device.memory)


def examined(image: bytes) -> StoreExamination:
    return examine_store(read_dump(image, "x", FORMS["bin"]), (Candidate("bench_unit", PLAN),))


def put(image: bytes, address: int, data: bytes) -> bytes:
    return image[:address] + data + image[address + len(data):]


@given(scenes())
@settings(max_examples=60)
def test_a_salvaged_unit_boots_with_what_it_had(scene: Scene) -> None:
    """Firmware mounts the image without a flag of damage and serves the values of the dump."""
    found = examined(scene.image)
    saved = salvage(found)
    rig = on_part(saved.image)
    assert rig.mount() in (Status.OK, Status.FLAGGED)
    for group in found.contents.groups:
        name = group.ring.group.name
        assert group.values == rig.values(name)
        assert Health.DAMAGE not in rig.health(name)
    assert [] == [f for f in examined(saved.image).findings if f.code != "PS613"]


def test_an_image_of_what_was_packed_is_the_same() -> None:
    """Nothing is added to a sound image, and nothing left out."""
    packed = pack(PLAN, {"settings": {"interval": (99,)}}, defaults=True)
    saved = salvage(examined(packed))
    assert packed == saved.image and saved.complete


def test_a_repair_is_taken_only_when_asked_for() -> None:
    """The newest record lost a bit: without --repair the one before counts."""
    at = RING.address(1) + 6
    broken = put(IMAGE, at, bytes([IMAGE[at] ^ 0x10]))
    plain, mended = (salvage(examined(broken), repair=r) for r in (False, True))
    sources = [s.sources[1] for s in (plain, mended)]
    assert [(SourceKind.RECORD, 5), (SourceKind.REPAIRED, 6)] == [
        (s.kind, s.sequence) for s in sources]
    assert sources[0].offered is not None and sources[1].offered is None
    values = [unpack(PLAN, s.image).group("settings").values for s in (plain, mended)]
    assert values[1] == unpack(PLAN, IMAGE).group("settings").values != values[0]


def test_values_that_break_the_schema_become_defaults() -> None:
    """A stored value outside its limits is not carried on; the others are."""
    body = encode_body(RING, {"interval": (0,), "gain": (5,)})
    image = put(IMAGE, RING.address(2), build_record(PLAN, RING, 7, body))
    saved = salvage(examined(image))
    assert (("interval",), False) == (saved.sources[1].defaulted, saved.complete)
    values = unpack(PLAN, saved.image).group("settings").values
    assert ((10,), (5,)) == (values["interval"], values["gain"])


def test_bytes_of_other_firmware_are_kept() -> None:
    """A record of a later revision keeps its revision, and the room it uses."""
    body = bytearray(encode_body(RING, {}))
    body[-3:] = b"abc"
    image = put(IMAGE, RING.address(2), build_record(PLAN, RING, 7, bytes(body), revision=4))
    record = unpack(PLAN, salvage(examined(image)).image).group("settings").slots[0].record
    assert (4, bytes(body)) == (record.revision, record.body)


def compared(before: Contents, after: Contents | dict[str, dict[str, tuple[Raw, ...]]],
             ) -> tuple[Difference, ...]:
    groups = [ring.group for ring in PLAN.rings]
    other = store_values(after) if isinstance(after, Contents) else given_values(groups, after)
    return value_differences(groups, store_values(before), other)


def bytes_compared(before: Dump, after: Dump) -> tuple[ByteRange, ...]:
    found = examined(IMAGE)
    return byte_differences(replace(found, dump=before), replace(found, dump=after))


def test_differences_are_told_by_parameter_and_by_byte() -> None:
    """One commit changes one parameter, and the bytes of one slot."""
    rig = on_part(IMAGE)
    rig.set("settings", "interval", 0, [1234])
    rig.commit("settings")
    after = bytes(rig.bench.device.memory)
    before, later = (unpack(PLAN, image) for image in (IMAGE, after))
    (difference,) = compared(before, later)
    assert ("interval", {"interval": (1234,)}) == (difference.parameter.name, difference.after.raws)
    ranges = bytes_compared(Dump(IMAGE), Dump(after))
    assert {"settings, slot 2"} == {r.owner.area for r in ranges}
    assert all(r.before == IMAGE[r.address:][:len(r.before)] for r in ranges)
    assert ("sequence number",) == ranges[0].owner.names
    assert () == bytes_compared(Dump(IMAGE), Dump(IMAGE))
    assert () == compared(before, before)


def test_values_are_compared_where_they_are_given() -> None:
    """A values file that names one parameter is compared in that one; a lost group has no record.
    """
    contents = unpack(PLAN, IMAGE)
    interval = contents.group("settings").values["interval"]
    assert () == compared(contents, {"settings": {"interval": interval}})
    (difference,) = compared(contents, {"settings": {"interval": (3,)}})
    assert {"interval": (3,)} == difference.after.raws
    blank = contents._replace(groups=unpack(PLAN, b"\xff" * 4096).groups)
    assert Absence.NO_RECORD is compared(blank, contents)[0].before.raws


def test_what_a_dump_does_not_have_is_not_compared_as_ff() -> None:
    """A byte that one dump lacks is told without a value for that side, also where the other one
    has FF; what both lack, or end before, is no difference; nor is a group that was not read."""
    ring = PLAN.ring("settings")
    at, end = ring.address(0), ring.address(ring.slots)
    lacking = Dump(IMAGE[:at] + b"\xff" * (end - at) + IMAGE[end:], ((at, end),))
    ranges = bytes_compared(lacking, Dump(IMAGE))
    assert (b"", IMAGE[at:end]) == (b"".join(r.before for r in ranges),
                                    b"".join(r.after for r in ranges))
    assert () == bytes_compared(lacking, lacking)
    assert () == bytes_compared(Dump(IMAGE[:at]), Dump(IMAGE, ((at, len(IMAGE)),)))
    contents = [unpack(PLAN, *dump) for dump in (lacking, Dump(IMAGE))]
    assert {Absence.UNREAD} == {d.before.raws for d in compared(*contents)}


PROBE = candidates_of(read_text(Path(__file__).parents[2] / "schemas" / "tank_probe.toml"))


@pytest.mark.parametrize("release", [1, 2, 3, 4, 5])
def test_what_an_earlier_release_kept_is_salvaged(release: int) -> None:
    """Where no label tells the release, the image is of the latest one: it has every value as the
    dump was read, also those that are converted, and nothing is left to convert."""
    plan = next(c.plan for c in PROBE if c.plan.release == release)
    chance, values = random.Random(release), {}
    for ring in plan.rings:
        numbers = [p for p in ring.group.parameters if p.fields[0].default != (0,) and (
            p.kind is Kind.INTEGER and not p.below and p.fields[0].count == 1)]
        values[ring.group.name] = {p.name: _near(p, chance) for p in numbers}
    image = pack(plan, values)
    found = examine_store(read_dump(b"\xff" * 64 + image[64:], "x", FORMS["bin"]), PROBE)
    assert found.plan.release == PROBE[0].plan.release
    assert not any("defaults" in f.message for f in found.findings
                   if "`factory`" in f.message and found.contents.group("factory").migrated)
    saved = salvage(found)
    again = unpack(found.plan, saved.image)
    for before, after in zip(found.contents.groups, again.groups, strict=True):
        assert before.values == after.values
        assert {ValueOrigin.CONVERTED, ValueOrigin.UNFIT}.isdisjoint(after.origins.values())
    kinds = {s.kind for s in saved.sources}
    assert (release > 3) == kinds.isdisjoint({SourceKind.CONVERTED, SourceKind.MIGRATED})


def _near(parameter: Parameter, chance: random.Random) -> tuple[Raw, ...]:
    """Another value than the default, inside the limits."""
    (field,) = parameter.fields
    return next((raw,) for raw in (field.default[0] + chance.choice((1, -1)), field.default[0])
                if field.limits.allow(raw))


def test_bytes_that_differ_are_told_in_runs_of_one_meaning() -> None:
    """Side by side together; apart, or of another meaning, each on its own."""
    ring = PLAN.ring("settings")
    at = ring.address(0)
    first, second = StorePlaces(PLAN).region_at(at).runs[:2]
    assert (first.end, at + 4) == (second.first, first.end)

    def runs(*offsets: int) -> list[tuple[str, int, int]]:
        after = bytearray(IMAGE)
        for offset in offsets:
            after[at + offset] ^= 0x55
        found = bytes_compared(Dump(IMAGE), Dump(bytes(after)))
        assert all(IMAGE[r.address:][:len(r.before)] == r.before for r in found)
        assert all(after[r.address:][:len(r.after)] == r.after for r in found)
        return [(r.owner.names[0], r.address - at, len(r.after)) for r in found]

    assert [(first.things[0].title, 1, 2)] == runs(1, 2)
    assert [(first.things[0].title, 0, 1), (first.things[0].title, 2, 1)] == runs(0, 2)
    assert [(first.things[0].title, 0, 1), (first.things[0].title, 2, 2)] == runs(0, 2, 3)
    assert [(first.things[0].title, 3, 1), (second.things[0].title, 4, 1)] == runs(3, 4)


def test_a_run_ends_where_one_dump_does() -> None:
    """What both have is not told together with what one of them lacks, though it is next to it."""
    at = PLAN.ring("settings").address(0)
    after = put(IMAGE, at, bytes(b ^ 0x55 for b in IMAGE[at:at + 4]))
    ranges = bytes_compared(Dump(IMAGE), Dump(after, ((at + 2, at + 4),)))
    assert [(IMAGE[at:at + 2], after[at:at + 2]), (IMAGE[at + 2:at + 4], b"")] == [
        (r.before, r.after) for r in ranges]
