"""Where everything lies: laws that every plan keeps."""

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.model import Group, Role, Schema
from tests.independent_decoder import crc32c_bit_by_bit
from tests.layout.builders import group, schema, sized
from tests.strategies import schemas

PARTS = ("AT24C02D", "AT24HC02C", "24LC04BH", "24LC16B", "24LC32A", "24LC32AF", "M24C32-W",
         "24LC256", "24LC512", "24LC1025", "M24M01-R")


@st.composite
def busy_schemas(draw: st.DrawFn) -> Schema:
    """Schemas on parts of every page size, some groups written so often that rings grow."""
    drawn = draw(schemas(parts=PARTS))
    groups = tuple(
        replace(g, writes_per_day=draw(st.sampled_from((0.0, 1.0, 300.0, 1440.0, 9000.0))),
                slots=draw(st.sampled_from((None, None, None, g.copies + 1))))
        for g in drawn.groups
    )
    return replace(drawn, groups=groups, life_years=draw(st.sampled_from((1.0, 10.0, 25.0))),
                   temperature_c=draw(st.sampled_from((25.0, 60.0, 85.0))))


def plan_or_none(drawn: Schema) -> Plan | None:
    try:
        return make_plan(drawn)
    except FindingsError as error:
        assert all(f.help for f in error.findings)
        return None


def pages_of(ring: Ring) -> range:
    return range(ring.first_page, ring.first_page + ring.pages)


@given(busy_schemas())
@settings(max_examples=80)
def test_nothing_overlaps(drawn: Schema) -> None:
    """Every page belongs to one slot of one ring, to one label copy, or to nobody, and exists."""
    plan = plan_or_none(drawn)
    if plan is None:
        return
    used = [*range(2 * plan.label_pages), *(p for r in plan.rings for p in pages_of(r))]
    assert len(used) == len(set(used))
    assert max(used) < drawn.part.pages
    assert sorted(g.id for g in drawn.groups) == [r.group.id for r in plan.rings]


@given(busy_schemas())
@settings(max_examples=80)
def test_records_fill_their_slots(drawn: Schema) -> None:
    """A record fits its slot with no page to spare, starts on a page, and holds the payload."""
    plan = plan_or_none(drawn)
    for ring in plan.rings if plan else ():
        assert math.ceil(ring.record_bytes / drawn.part.page) == ring.slot_pages
        assert ring.body_bytes >= ring.payload_bytes
        assert 0 == ring.address(ring.slots - 1) % drawn.part.page
        assert ring.record_bytes == sum(length for _, length in ring.writes())


@given(busy_schemas())
@settings(max_examples=80)
def test_slots_last_the_life(drawn: Schema) -> None:
    """No page is written beyond its endurance in the life wanted, and no slot is there for
    nothing, but that 4, 8, ... slots become 5, 9, ... Counted here record by record; endurance
    by Arrhenius, 0.202 eV."""
    plan = plan_or_none(drawn)
    for ring in plan.rings if plan else ():
        if ring.group.slots is not None or len(drawn.part.endurance) > 1:
            continue
        ((rated_c, rated),) = drawn.part.endurance
        heat = 1 / (rated_c + 273.15) - 1 / (drawn.temperature_c + 273.15)
        endurance = rated * math.exp(-0.202 / 8.617333e-5 * heat)
        days = drawn.life_years * 365.25
        records = ring.group.writes_per_day * days * ring.group.copies
        assert records / ring.slots <= endurance * 1.000001
        needed = ring.slots - 1 if ring.slots - 1 in (4, 8, 16, 32, 64, 128) else ring.slots
        assert needed <= max(3, ring.group.copies + 1) or (
            records / (needed - 1) > endurance * 0.999999)


def splits_middle(ring: Ring, capacity: int) -> bool:
    """Whether a slot holds the byte at capacity / 2 anywhere but at its start."""
    slot_bytes = ring.slot_pages * ring.page_bytes
    return any(ring.address(slot) < capacity // 2 < ring.address(slot) + slot_bytes
               for slot in range(ring.slots))


@given(busy_schemas(), st.data())
@settings(max_examples=200)
def test_a_slot_begins_at_the_middle(drawn: Schema, data: st.DataObject) -> None:
    """FORMAT.md, section 1: the page at capacity / 2 is the first one of its slot, if it is in
    one; in a layout from nothing, and in one where some rings are kept and some pages retired."""
    plan = plan_or_none(drawn)
    if plan is None:
        return
    assert not any(splits_middle(ring, drawn.part.capacity) for ring in plan.rings)
    kept = [r for r in plan.rings if data.draw(st.booleans())]
    try:
        later = make_plan(drawn, kept, [])
    except FindingsError:
        return
    assert not any(splits_middle(ring, drawn.part.capacity) for ring in later.rings)


def test_a_ring_across_the_middle_moves_up() -> None:
    """Slots of 3 pages behind 60 pages of label and slots of 2: from page 62 the first slot would
    hold page 64, capacity / 2 of the 24LC32A, as its third. The gap takes what comes and fits."""
    low = [group(f"low{n}", n, slots=3) for n in range(1, 21)]
    wide = group("wide", 30, sized("p", 3 * 32 - 9))
    assert {"low20": 59, "wide": 64, "next": 73} == {
        name: page for name, page in first_pages(*low, wide, group("next", 31)).items()
        if name in ("low20", "wide", "next")}
    assert 61 == first_pages(*low[:-1], group("two", 20, slots=2), wide)["wide"]
    pair = group("pair", 31, slots=2)
    assert 62 == first_pages(*low, wide, pair)["pair"]


def test_a_hot_ring_across_the_middle_moves_down() -> None:
    """A ring that grows down is moved on down: 62 pages lie above it; slots of 3 pages."""
    top = group("top", 1, per_day=15000)  # 55 slots
    wide = group("wide", 2, sized("p", 3 * 32 - 9), per_day=1440)  # 6 slots of 3 pages
    assert {"top": 128 - 55, "wide": 128 - 55 - 18} == first_pages(top, wide)
    lower = replace(top, writes_per_day=14600.0)  # 54 slots
    assert {"top": 128 - 54, "wide": 128 - 54 - 18 - 1} == first_pages(lower, wide)


@given(busy_schemas(), st.randoms(use_true_random=False))
@settings(max_examples=40)
def test_same_schema_same_plan(drawn: Schema, shuffle: random.Random) -> None:
    """Neither another run nor the order in which groups stand in the file moves anything."""
    plan = plan_or_none(drawn)
    groups = list(drawn.groups)
    shuffle.shuffle(groups)
    again = plan_or_none(replace(drawn, groups=tuple(groups)))
    assert (plan is None) == (again is None)
    if plan and again:
        assert (plan.rings, plan.layout_id) == (again.rings, again.layout_id)
        assert plan == make_plan(drawn)


@given(busy_schemas())
@settings(max_examples=80)
def test_partial_write_protection(drawn: Schema) -> None:
    """Where the pin covers a part of the array, that holds identity and calibration only, and
    each of these that lies elsewhere is told."""
    plan = plan_or_none(drawn)
    start = drawn.part.protected_from
    if plan is None or start is None:
        return
    told = [f.message for f in plan.findings if f.code == "PS424"]
    for ring in plan.rings:
        inside = ring.address(0) >= start
        assert inside or ring.address(ring.slots) <= start
        assert not inside or ring.group.role.protected
        outside = ring.group.role.protected and not inside
        assert outside == any(f"`{ring.group.name}`" in m for m in told)


COLD, WARM = group("cold", 1), group("warm", 2, per_day=1440)
PROTECTED = group("factory", 3, role=Role.CALIBRATION, copies=2)


def first_pages(*groups: Group, part: str = "24LC32A") -> dict[str, int]:
    return {r.group.name: r.first_page for r in make_plan(schema(*groups, part=part)).rings}


def test_hot_rings_grow_down() -> None:
    """A ring that wear makes longer ends the array; the others follow the label."""
    assert {"cold": 2, "warm": 128 - 6} == first_pages(COLD, WARM)


def test_protected_area_from_its_start() -> None:
    """The 24LC32AF protects C00h to FFFh: calibration starts there, hot rings end there."""
    expected = {"cold": 2, "warm": 96 - 6, "factory": 96}
    assert expected == first_pages(COLD, WARM, PROTECTED, part="24LC32AF")


@pytest.mark.parametrize("added", [group("more", 9), group("more", 9, per_day=5000)])
def test_a_new_group_moves_no_other(added: Group) -> None:
    """A group added at the end leaves every other ring where it was."""
    before = first_pages(COLD, WARM, PROTECTED)
    after = first_pages(COLD, WARM, PROTECTED, added)
    assert before == {name: after[name] for name in before}


def test_a_hotter_group_moves_no_cold_one() -> None:
    """Another write rate, life or temperature leaves the rings of fewest slots where they were."""
    before = first_pages(COLD, WARM, PROTECTED)
    after = first_pages(COLD, replace(WARM, writes_per_day=4000), PROTECTED)
    assert (before["cold"], before["factory"]) == (after["cold"], after["factory"])


def test_a_slot_may_straddle_a_block() -> None:
    """Slots of 3 pages follow each other across the 256-byte blocks of a part with block bits."""
    plan = make_plan(schema(group("g", 1, sized("p", 39), slots=10), part="24LC16B"))
    (ring,) = plan.rings
    block = 256 // ring.page_bytes
    starts = [(ring.first_page + slot * ring.slot_pages) % block for slot in range(ring.slots)]
    assert any(start + ring.slot_pages > block for start in starts)


def test_store_id() -> None:
    """The store id is the CRC-32C of the name."""
    assert crc32c_bit_by_bit(b"demo") == make_plan(schema(COLD)).store_id


# ---- Beside rings that stay where they are ------------------------------------------------------


def test_kept_rings_stay() -> None:
    """Rings of released groups keep their place whatever a planner would do today; new groups go
    into the gaps that these and the rings of retired groups leave."""
    old = make_plan(schema(COLD, WARM, group("gone", 3), late := group("late", 4)))
    kept = [old.ring("cold"), old.ring("warm"), old.ring("late")]
    hotter = replace(WARM, writes_per_day=9000)
    new = group("new", 9)
    plan = make_plan(schema(COLD, hotter, late, new), kept, [old.ring("gone")])
    assert kept == [plan.ring(name) for name in ("cold", "warm", "late")]
    assert plan.ring("late").first_page + plan.ring("late").pages == plan.ring("new").first_page
    assert (old.ring("gone"),) == plan.retired
    assert sum(r.pages for r in plan.rings) + old.ring("gone").pages == plan.ring_pages


def test_new_groups_beside_kept_ones_follow_their_kind() -> None:
    """Beside released rings a hot ring still goes to the high end, a protected one to the pin."""
    old = make_plan(schema(COLD, WARM, PROTECTED, part="24LC32AF"))
    hot, careful = group("hot", 5, per_day=1440), replace(PROTECTED, name="unit", id=6)
    plan = make_plan(schema(COLD, WARM, PROTECTED, hot, careful, part="24LC32AF"), old.rings)
    assert old.ring("warm").first_page == plan.ring("hot").first_page + plan.ring("hot").pages
    assert old.ring("factory").first_page + old.ring("factory").pages == (
        plan.ring("unit").first_page)


def test_no_gap_for_a_new_group() -> None:
    """PS407: what new groups need and what is left is told, though another order would fit."""
    old = make_plan(schema(group("a", 1, slots=60), group("b", 2, slots=60)))
    with pytest.raises(FindingsError) as caught:
        make_plan(schema(*(r.group for r in old.rings), group("c", 3, slots=7)), old.rings)
    (finding,) = caught.value.findings
    assert ("PS407", "7 pages are needed for new groups, the released ones leave 6") == (
        finding.code, finding.message)
