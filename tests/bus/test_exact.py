"""An image byte by byte, or nothing at all: each moment on the way is one of the two."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.bus.changes import value_changes
from paramstore.bus.exact import erase_changes, exact_changes, refuse_protected
from paramstore.bus.recognise import being_erased, recognise
from paramstore.core.errors import FindingsError, SourceText
from paramstore.image.contents import Contents, LabelState, unpack
from paramstore.image.pack import pack
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.releases.project import open_project
from tests.production.jobs import SCHEMA, plan
from tests.strategies import schema_raws, schemas

PLAN = plan()
BLANK = b"\xff" * PLAN.part.capacity


def named(contents: Contents) -> bool:
    """Whether firmware finds a label."""
    return contents.label_state is LabelState.OURS


def record_of(contents: Contents) -> dict[str, bytes | None]:
    """What each group serves: the body of its newest record."""
    return {g.ring.group.name: g.newest.record.body if g.newest else None
            for g in contents.groups}


@st.composite
def lives(draw: st.DrawFn) -> tuple[Plan, bytes, bytes]:
    """A store, and two moments of it: some commits, damage and lost rings; in any order."""
    schema = draw(schemas())
    of = make_plan(schema)
    values = [draw(schema_raws(schema)) for _ in range(3)]
    images = []
    for _ in range(2):
        image = pack(of, values[0])
        for turn in range(draw(st.integers(0, 6))):
            names = draw(st.sets(st.sampled_from([r.group.name for r in of.rings])))
            wanted = {n: v for n, v in values[turn % 3].items() if n in names}
            image = value_changes(unpack(of, image), wanted, "", unlock=True).image_after
        data = bytearray(image)
        for ring in of.rings:
            first = ring.address(0)
            if draw(st.integers(0, 4)) == 0:
                data[first:first + ring.pages * ring.page_bytes] = b"\xff" * (
                    ring.pages * ring.page_bytes)
            elif draw(st.integers(0, 3)) == 0:
                data[ring.address(draw(st.integers(0, ring.slots - 1))) + 5] ^= 0x10
        if (broken := draw(st.sampled_from((None, None, 0, 1)))) is not None:
            data[of.label_address(broken) + 4] ^= 0x20
        images.append(bytes(data))
    return of, images[0], images[1]


@given(lives(), st.integers(0, 1 << 16))
@settings(max_examples=60)
def test_every_moment_serves_the_old_record_or_the_new_one(
        life: tuple[Plan, bytes, bytes], seed: int) -> None:
    """Whatever the two images hold: each page torn, in the middle and by chance; and from each of
    these moments a second try goes on as well."""
    of, before, after = life
    old, new = (record_of(unpack(of, image)) for image in (before, after))
    chance = random.Random(seed)
    changes = exact_changes(unpack(of, before), unpack(of, after), "", unlock=True)
    assert after == changes.image_after
    image = bytearray(before)
    for put in changes.writes:
        span = slice(put.address, put.address + len(put.data))
        was, half = bytes(image[span]), len(put.data) // 2
        for torn in (put.data[:half] + was[half:], was[:half] + put.data[half:],
                     chance.randbytes(len(was)), b"\xff" * len(was)):
            image[span] = torn
            torn_contents = unpack(of, bytes(image))
            assert named(torn_contents)
            for name, body in record_of(torn_contents).items():
                assert body in (old[name], new[name])
        again = exact_changes(unpack(of, bytes(image)), unpack(of, after), "", unlock=True)
        assert after == again.image_after
        image[span] = put.data
        for name, body in record_of(unpack(of, bytes(image))).items():
            assert body in (old[name], new[name])
    assert after == image


def moved() -> Plan:
    """The same store, whose rings lie elsewhere."""
    return open_project(SourceText("m.toml", SCHEMA.replace("size = 8", "size = 14"))).plan


def test_rings_that_move_leave_a_part_that_names_no_store_until_the_end() -> None:
    """There is no order for them: firmware refuses the part until the repeat has ended, and so does
    a write of values; the image itself goes on without a question."""
    other = moved()
    target = unpack(other, pack(other, {"settings": {"quiet": (1,)}}))
    before = pack(PLAN, {"settings": {"quiet": (1,)}})
    with pytest.raises(FindingsError, match="PS964"):
        exact_changes(unpack(PLAN, before), target, "")
    changes = exact_changes(unpack(PLAN, before), target, "", unlock=True)
    image, rest = bytearray(before), 2 * PLAN.label_pages * PLAN.part.page
    named_none = 0
    for put in changes.writes:
        put.lay(image)
        contents = unpack(PLAN, bytes(image))
        if contents.label_state is not LabelState.OURS:
            contents = unpack(other, bytes(image))
        again = exact_changes(contents, target, "", unlock=True)
        assert target.image == again.image_after
        if being_erased(contents):
            named_none += 1
            assert target.image == exact_changes(contents, target, "").image_after
            with pytest.raises(FindingsError, match="PS971"):
                recognise(contents, "")
        else:
            whole = target.image if contents.plan == other else before
            assert whole[rest:] == image[rest:]
    assert target.image == image
    assert named_none > len(changes.writes) - 2 * PLAN.label_pages - 1


def test_an_image_without_its_free_pages_leaves_them() -> None:
    """A backup has labels and rings: these are brought back, and nothing else."""
    old = pack(PLAN, {})
    end = PLAN.part.capacity
    used = bytearray(
        value_changes(unpack(PLAN, old), {"settings": {"quiet": (1,)}}, "").image_after)
    used[-3] = 0x33
    image = unpack(PLAN, old, ((end - 16, end),))
    after = exact_changes(unpack(PLAN, bytes(used)), image, "").image_after
    assert old[:-16] + used[-16:] == after


@pytest.mark.parametrize("image", [
    pack(PLAN, {}), BLANK[:-1] + b"\0", bytes(range(256)) * 8, pack(moved(), {}),
], ids=["ours", "a stray byte", "foreign", "another layout"])
def test_erasing_takes_whatever_is_there(image: bytes) -> None:
    """Only pages that are not blank; a part with a label names no store on the way."""
    changes = erase_changes(unpack(PLAN, image))
    assert BLANK == changes.image_after
    size = PLAN.part.page
    not_blank = {p for p in range(PLAN.part.pages) if image[p * size:][:size] != BLANK[:size]}
    label = {0, 1} if image.startswith(b"PSL") else set()
    assert not_blank | label == set(changes.pages)
    between, rest = bytearray(image), 2 * PLAN.label_pages * PLAN.part.page
    for put in changes.writes:
        put.lay(between)
        contents = unpack(PLAN, bytes(between))
        assert not label or being_erased(contents) or between[rest:] in (
            image[rest:], BLANK[rest:])
    assert () == erase_changes(unpack(PLAN, BLANK)).pages


def test_identity_and_calibration_are_not_erased_by_mistake() -> None:
    """Those of this store need the key (PS964); of another one nothing is known."""
    unit = pack(PLAN, {"trim": {"low": (20,)}})
    foreign = bytes(range(256)) * 8
    for image, told in {unit: True, pack(PLAN, {}): False, BLANK: False, foreign: False}.items():
        found: list[Any] = []
        try:
            refuse_protected(unpack(PLAN, image), "")
        except FindingsError as error:
            found = [f.code for f in error.findings]
        assert (["PS964"] if told else []) == found
