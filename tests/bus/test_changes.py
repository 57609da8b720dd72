"""What has to be written: least, safe, and never over what belongs to a unit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.bus.changes import Changes, differences, image_values, value_changes
from paramstore.bus.compare import compare, damage, other_serial
from paramstore.bus.exact import exact_changes
from paramstore.bus.recognise import recognise
from paramstore.core.errors import FindingsError, SourceText
from paramstore.core.format import SEQUENCE_FULL
from paramstore.image.contents import Contents, unpack
from paramstore.image.pack import complete, pack
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.record import build_label, build_record, encode_body
from paramstore.releases.project import open_project
from tests.production.jobs import SCHEMA, plan
from tests.strategies import schema_raws, schemas

PLAN = plan()
BLANK = b"\xff" * PLAN.part.capacity
UNIT = {"identity": {"board": (3,)}, "trim": {"low": (20,)}, "settings": {"quiet": (1,)}}


def codes(contents: Contents) -> list[str]:
    try:
        recognise(contents, "part")
    except FindingsError as error:
        return [f.code for f in error.findings]
    return []


def changes_of(image: bytes, wanted: Any, *, unlock: bool = False, of: Plan = PLAN) -> Changes:
    contents = unpack(of, image)
    recognise(contents, "part")
    return value_changes(contents, wanted, "part", unlock=unlock)


@st.composite
def stores(draw: st.DrawFn) -> tuple[Plan, Any, Any]:
    schema = draw(schemas())
    return make_plan(schema), draw(schema_raws(schema)), draw(schema_raws(schema))


@given(stores())
@settings(max_examples=40)
def test_a_blank_part_becomes_the_packed_image(store: tuple[Plan, Any, Any]) -> None:
    """Byte by byte, whatever the store and the values; and no page is written twice."""
    of, values, _ = store
    changes = changes_of(b"\xff" * of.part.capacity, values, of=of)
    assert pack(of, values) == changes.image_after
    assert len(changes.pages) == len(set(changes.pages))
    assert changes.label


@given(stores(), st.integers(1, 9))
@settings(max_examples=40)
def test_any_part_takes_any_values(store: tuple[Plan, Any, Any], turns: int) -> None:
    """Over and over, round the rings: the newest records hold what was wanted, the page list is
    all that differs, and the newest record before is never touched."""
    of, one, two = store
    image = pack(of, one)
    for turn in range(turns):
        wanted = two if turn % 2 == 0 else one
        contents = unpack(of, image)
        changes = value_changes(contents, wanted, "part", unlock=True)
        after = unpack(of, changes.image_after)
        assert complete(of, wanted) == {g.ring.group.name: g.values for g in after.groups}
        size = of.part.page
        assert sorted(changes.pages) == [
            p for p in range(of.part.pages)
            if image[p * size:(p + 1) * size] != changes.image_after[p * size:(p + 1) * size]]
        for group in contents.groups:
            assert group.newest is not None
            start = group.newest.address
            span = slice(start, start + group.ring.record_bytes)
            assert image[span] == changes.image_after[span]
        assert () == value_changes(after, wanted, "part", unlock=True).pages
        image = changes.image_after


def test_a_blank_part_gets_no_record_of_what_it_was_not_given() -> None:
    """A protected group without values has none; it gets one only if defaults are wanted, and the
    next time if it has values."""
    changes = changes_of(BLANK, {"identity": {"board": (3,)}})
    assert (("trim",), ("identity", "settings")) == (changes.left, changes.first_written)
    assert pack(PLAN, {"identity": {"board": (3,)}}) == changes.image_after
    again = changes_of(changes.image_after, {"identity": {"board": (3,)}})
    assert (("trim",), ()) == (again.left, again.pages)
    contents = unpack(PLAN, changes.image_after)
    assert "trim" not in image_values(contents, "unit.bin")
    wanted = value_changes(contents, {}, "part", defaults=True)
    assert ((), ("trim",)) == (wanted.left, wanted.first_written)
    given = changes_of(changes.image_after, {"trim": {"low": (20,)}})
    assert ((), ("trim",)) == (given.left, given.first_written)
    assert pack(PLAN, {"identity": {"board": (3,)}, "trim": {"low": (20,)}}) == given.image_after


def test_a_value_that_cannot_be_is_written_anew() -> None:
    """The default is served in place of it, but it is not what the part should hold."""
    ring = next(r for r in PLAN.rings if r.group.name == "settings")
    image = bytearray(pack(PLAN, UNIT))
    body = bytearray(encode_body(ring, UNIT["settings"]))
    at = next(p.offset for p in ring.fields if p.field.name == "quiet")
    body[at] = 2
    record = build_record(PLAN, ring, 1, bytes(body))
    image[ring.address(0):ring.address(0) + len(record)] = record
    contents = unpack(PLAN, bytes(image))
    assert ((0,), (2,)) == tuple(
        v["quiet"] for v in (contents.group("settings").values, contents.group("settings").stored))
    (change,) = changes_of(bytes(image), {"settings": {"quiet": (0,)}}).changed
    assert ((2,), (0,)) == (change.before["quiet"], change.after["quiet"])
    label = {"label": tuple(b"pump\0\0\0\0")}
    assert () == changes_of(bytes(image), {"settings": label}).changed
    assert ["PS614"] == [f.code for f in damage(contents, "part")]
    assert not compare(contents, {"settings": {"quiet": (0,)}}).equal


def test_identity_and_calibration_stay() -> None:
    """Unless unlocked; what would have changed is told."""
    changes = changes_of(pack(PLAN, {}, defaults=True), UNIT)
    assert ["settings"] == list(changes.groups)
    assert ["board", "low"] == [c.parameter.name for c in changes.kept_changes]
    assert ["PS964"] == [f.code for f in changes.findings]
    changes = changes_of(pack(PLAN, {}, defaults=True), UNIT, unlock=True)
    assert (["identity", "trim", "settings"], (), ()) == (
        list(changes.groups), changes.kept_changes, changes.findings)


def test_what_is_not_named_stays() -> None:
    """A values file changes what it names, and a part with these values is left alone."""
    image = pack(PLAN, UNIT)
    changes = changes_of(image, {"settings": {"key": (1, 2)}})
    assert {"settings": {"key": (1, 2), "quiet": (1,)}}["settings"].items() <= (
        unpack(PLAN, changes.image_after).group("settings").values.items())
    assert () == changes_of(image, {"settings": {"quiet": (1,)}}).pages


def test_the_label_comes_first() -> None:
    """A torn first record without one would make the part look foreign to the firmware."""
    changes = changes_of(BLANK, UNIT)
    labels = {PLAN.label_address(c) // PLAN.part.page + i
              for c in (0, 1) for i in range(PLAN.label_pages)}
    assert labels == set(changes.pages[:len(labels)])
    assert PLAN.label_address(1) // PLAN.part.page == changes.pages[0]


def test_a_lost_group_is_written_when_it_is_given() -> None:
    """Even a protected one, for there is nothing to keep; one that is not given stays lost."""
    image = bytearray(pack(PLAN, UNIT))
    ring = PLAN.ring("trim")
    for slot in range(ring.slots):
        image[ring.address(slot) + 6] ^= 0xFF
    assert () == changes_of(bytes(image), {"settings": {"quiet": (1,)}}).pages
    changes = changes_of(bytes(image), UNIT)
    assert (["trim"], ["PS965"]) == (list(changes.groups), [f.code for f in changes.findings])
    assert (20,) == unpack(PLAN, changes.image_after).group("trim").values["low"]


def test_values_that_break_a_rule_with_those_on_the_part_are_refused() -> None:
    """`low` of the part against `high` of the file (PS963)."""
    image = pack(PLAN, {"trim": {"low": (50,)}}, defaults=True)
    with pytest.raises(FindingsError, match=r"PS963.*must be below"):
        changes_of(image, {"trim": {"high": (40,)}}, unlock=True)


def test_bytes_of_a_later_release_stay() -> None:
    """A record of a newer revision keeps its tail and its revision."""
    ring = PLAN.ring("settings")
    body = bytearray(encode_body(ring, {}))
    assert ring.body_bytes > ring.payload_bytes
    body[-1] = 0x5A
    image = bytearray(pack(PLAN, {}, defaults=True))
    record = build_record(PLAN, ring, 1, bytes(body), revision=7)
    image[ring.address(0):ring.address(0) + len(record)] = record
    newest = unpack(PLAN, changes_of(bytes(image), UNIT).image_after).group("settings").newest
    assert newest is not None
    assert (7, 2, 0x5A) == (newest.record.revision, newest.record.sequence, newest.record.body[-1])


def test_foreign_parts_are_refused() -> None:
    """Another store, layout, part, format, data of nobody; with the code of the reason."""
    other = open_project(SourceText("o.toml", SCHEMA.replace("dosing_pump", "other"))).plan
    moved = open_project(SourceText("m.toml", SCHEMA.replace("size = 8", "size = 9"))).plan
    larger = open_project(SourceText("l.toml", SCHEMA.replace("24LC16B", "24LC32A"))).plan
    image = pack(PLAN, UNIT)
    noise = bytes(range(256)) * (PLAN.part.capacity // 256)
    assert {
        "ours": [], "blank": [], "other": ["PS607"], "moved": ["PS609"], "larger": ["PS608"],
        "noise": ["PS605"],
    } == {
        name: codes(unpack(PLAN, data)) for name, data in {
            "ours": image, "blank": BLANK, "other": pack(other, {}, defaults=True),
            "moved": pack(moved, {}, defaults=True),
            "larger": pack(larger, {}, defaults=True)[:PLAN.part.capacity], "noise": noise}.items()}


def test_a_part_of_a_later_release_is_refused() -> None:
    """The schema with its releases is needed (PS962)."""
    released = replace(PLAN, release=2)
    image = bytearray(pack(PLAN, {}, defaults=True))
    for copy in (0, 1):
        at = PLAN.label_address(copy)
        image[at:at + PLAN.label_bytes] = build_label(
            replace(PLAN, release=3, lineage=((2, PLAN.layout_id),)))
    assert ["PS962"] == codes(unpack(released, bytes(image)))


def test_a_part_too_small_is_refused() -> None:
    """It shows its first half twice (PS961)."""
    half = pack(PLAN, {}, defaults=True)[:PLAN.part.capacity // 2]
    assert ["PS961"] == codes(unpack(PLAN, half * 2))


def test_what_a_cut_first_write_leaves_is_ours() -> None:
    """A label torn in its second copy, both, or whole labels without records."""
    full = pack(PLAN, {}, defaults=True)
    at = PLAN.label_address(1)
    torn = bytearray(BLANK)
    torn[at:at + 7] = full[at:at + 7]
    labels = full[:2 * PLAN.label_pages * PLAN.part.page].ljust(len(full), b"\xff")
    for image in (bytes(torn), labels):
        assert [] == codes(unpack(PLAN, image))
        assert full == changes_of(image, complete(PLAN, {})).image_after


def test_a_damaged_label_is_mended() -> None:
    """As long as a record is of this store."""
    image = bytearray(pack(PLAN, UNIT))
    image[PLAN.label_address(0)] ^= 1
    image[PLAN.label_address(1) + 9] ^= 1
    changes = changes_of(bytes(image), {})
    assert (pack(PLAN, UNIT), True, 2) == (changes.image_after, changes.label, len(changes.pages))


def test_an_image_must_be_whole_and_of_this_layout() -> None:
    """Values are not taken from a damaged image, nor from one of another release (PS962)."""
    image = bytearray(pack(PLAN, UNIT))
    ring = PLAN.ring("settings")
    image[ring.address(0) + 6] ^= 1
    short = pack(PLAN, UNIT)[:ring.address(ring.slots) - 1]
    for data in (bytes(image), BLANK, pack(replace(PLAN, release=1), {}, defaults=True), short):
        with pytest.raises(FindingsError, match="PS962"):
            image_values(unpack(PLAN, data), "unit.bin")
    with pytest.raises(FindingsError, match="PS962"):
        image_values(unpack(PLAN, short), "unit.bin", exact=True)
    assert complete(PLAN, UNIT) == image_values(unpack(PLAN, pack(PLAN, UNIT)), "unit.bin")


def test_exact_changes_bring_a_backup_back() -> None:
    """Byte by byte; identity and calibration need the key. On a blank part labels come first."""
    old = pack(PLAN, {}, defaults=True)
    new = changes_of(old, UNIT, unlock=True).image_after
    contents, backup = unpack(PLAN, new), unpack(PLAN, old)
    with pytest.raises(FindingsError, match="PS964"):
        exact_changes(contents, backup, "part")
    changes = exact_changes(contents, backup, "part", unlock=True)
    assert old == changes.image_after
    assert {"board", "low", "quiet"} == {c.parameter.name for c in changes.changed}
    size = PLAN.part.page
    assert all(old[p * size:(p + 1) * size] != new[p * size:(p + 1) * size] for p in changes.pages)
    onto_blank = exact_changes(unpack(PLAN, BLANK), backup, "part")
    assert (old, True) == (onto_blank.image_after, onto_blank.label)
    assert PLAN.label_address(1) // size == onto_blank.pages[0]


def test_differences_are_told_by_parameter() -> None:
    """What the part holds, and what was wanted."""
    (change,) = differences(unpack(PLAN, pack(PLAN, UNIT)), {"trim": {"low": (30,)}})
    assert ("trim", "low", {"low": (20,)}, {"low": (30,)}) == (
        change.group.name, change.parameter.name, change.before, change.after)


def test_protected_groups_without_values_have_no_record() -> None:
    """As `pack` leaves them; a record of their defaults is written on purpose only. A write that
    was cut does the same when it is repeated."""
    given = {"settings": {"quiet": (1,)}}
    for defaults, left in ((False, ("identity", "trim")), (True, ())):
        changes = value_changes(unpack(PLAN, BLANK), given, "", defaults=defaults)
        assert left == changes.left
        assert pack(PLAN, given, defaults=defaults) == changes.image_after
        image = bytearray(BLANK)
        for put in changes.writes:
            again = value_changes(unpack(PLAN, bytes(image)), given, "", defaults=defaults)
            assert unpack(PLAN, again.image_after).groups == unpack(
                PLAN, changes.image_after).groups
            put.lay(image)
    image_of_bench = unpack(PLAN, pack(PLAN, given))
    assert {"settings"} == image_values(image_of_bench, "unit.bin").keys()
    used = pack(PLAN, UNIT)
    assert UNIT["trim"]["low"] == unpack(PLAN, value_changes(
        unpack(PLAN, used), image_values(image_of_bench, ""), "", unlock=True).image_after).group(
            "trim").values["low"]


def test_copies_are_those_of_the_newest_commit() -> None:
    """Right before it, with the same body; not older ones that happen to be alike, nor with a slot
    between that holds something else."""
    roomy = open_project(SourceText("r.toml", SCHEMA.replace(
        'role = "calibration"', 'role = "calibration"\nslots = 7'))).plan
    ring = roomy.ring("trim")
    one, two = (encode_body(ring, {"low": (n,)} | {
        f.name: f.default for f in ring.group.fields if f.name != "low"}) for n in (10, 20))

    def copies(*records: tuple[int, bytes]) -> int:
        image = bytearray(pack(roomy, {}))
        for sequence, body in records:
            at = ring.address((sequence - 1) % ring.slots)
            record = build_record(roomy, ring, sequence, body)
            image[at:at + len(record)] = record
        return unpack(roomy, bytes(image)).group("trim").copies

    assert [0, 1, 2, 2, 1, 1, 2] == [copies(*records) for records in (
        (), ((1, one),), ((1, one), (2, one)), ((1, one), (4, one)), ((1, one), (6, one)),
        ((1, one), (2, one), (3, two), (4, one)), ((1, one), (2, one), (3, one)))]


def test_numbers_that_are_used_up_are_told() -> None:
    """No part lives so long (PS973)."""
    image = bytearray(pack(PLAN, UNIT))
    ring = PLAN.ring("settings")
    number = SEQUENCE_FULL + (ring.slots - (SEQUENCE_FULL - 1) % ring.slots)
    record = build_record(PLAN, ring, number, encode_body(ring, {
        f.name: f.default for f in ring.group.fields}))
    image[ring.address(0):ring.address(0) + len(record)] = record
    with pytest.raises(FindingsError, match="PS973"):
        value_changes(unpack(PLAN, bytes(image)), UNIT, "")


@pytest.mark.parametrize(("part", "of_image", "told"), [
    ("DP-01", "DP-01", None),
    ("DP-01", "DP-02", "error: this part is DP-01, the image is of DP-02"),
    ("", "DP-02", "error: this part has no serial number, the image is of DP-02"),
    ("DP-01", "", "warning: this part is DP-01, the image has none"), ("", "", None),
    (None, "DP-02", None), ("DP-01", None, None), (None, None, None)])
def test_serial_numbers_are_compared_where_both_are_known(
        part: str | None, of_image: str | None, told: str | None) -> None:
    """A side whose group has no record says nothing; one that has an empty number does."""
    sides = [unpack(PLAN, BLANK if serial is None else pack(PLAN, complete(
        PLAN, UNIT | {"identity": {"serial": tuple(serial.encode().ljust(10, b"\0"))}})))
        for serial in (part, of_image)]
    found = other_serial(*sides, "identity", PLAN.schema.group("identity").parameter("serial"), "x")
    assert told == (found and f"{found.severity.value}: {found.message}")
