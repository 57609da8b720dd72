"""What a group asks for: bytes, pages, slots."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.layout.demand import demand_of
from tests.layout.builders import group, schema, sized

PARTS = ("AT24C02D", "24LC16B", "24LC32A", "24LC256", "24LC512", "M24M01-R")  # pages of 8 to 256


@given(st.integers(1, 600), st.sampled_from(PARTS))
def test_room_costs_no_page_write(payload: int, part: str) -> None:
    """The room that the planner adds fills up a page or 32 bytes and never adds a page write."""
    store = schema(group("g", 1, sized("p", payload)), part=part)
    demand = demand_of(store.groups[0], store)
    page = store.part.page
    assert math.ceil((payload + 9) / page) == demand.slot_pages
    assert 0 == (demand.body_bytes + 9) % min(32, page)
    assert 0 <= demand.body_bytes - payload < min(32, page)


@pytest.mark.parametrize(("room", "body", "pages"), [(0, 20, 1), (3, 23, 1), (4, 24, 2)])
def test_room_of_the_schema(room: int, body: int, pages: int) -> None:
    """`room` in a schema is taken as it is, even where it costs a page."""
    store = schema(group("g", 1, room=room))
    demand = demand_of(store.groups[0], store)
    assert (body, pages) == (demand.body_bytes, demand.slot_pages)


@pytest.mark.parametrize(("copies", "slots"), [(1, 3), (2, 3), (3, 5), (4, 5), (5, 6)])
def test_fewest_slots(copies: int, slots: int) -> None:
    """However seldom a group is written, one slot is left for a bad one, and one beyond copies."""
    store = schema(group("g", 1, per_day=0.0, copies=copies))
    assert slots == demand_of(store.groups[0], store).slots


@pytest.mark.parametrize(("per_day", "years", "copies", "slots"), [
    (700, 10, 1, 3),  # 2 556 750 records on cells of 1 M
    (700, 10, 2, 6),  # each commit writes two
    (700, 20, 1, 6),
    (24 * 60, 10, 1, 6),  # 5 259 600
    (5_000_000 / 3652.5, 10, 1, 5),  # exactly 5 M: the noise of the division adds no slot
])
def test_slots_for_life(per_day: float, years: float, copies: int, slots: int) -> None:
    """At 25 degC a page of the 24LC32A takes 1 M writes, so the records of the life set the slots.
    """
    store = schema(group("g", 1, per_day=per_day, copies=copies), life_years=years)
    assert slots == demand_of(store.groups[0], store).slots


@given(st.floats(0, 1e5), st.integers(1, 9))
def test_no_ring_is_planned_with_a_power_of_two_of_slots(per_day: float, copies: int) -> None:
    """One wrong bit in a sequence number never makes a number that belongs into the same slot."""
    store = schema(group("g", 1, per_day=per_day, copies=copies))
    slots = demand_of(store.groups[0], store).slots
    assert 0 not in {(1 << bit) % slots for bit in range(32)}


def test_one_slot_more_than_a_power_of_two() -> None:
    """Where the life asks for 4 slots the planner takes 5; a schema that says 4 gets 4."""
    store = schema(group("g", 1, per_day=1000))
    assert 5 == demand_of(store.groups[0], store).slots
    store = schema(group("g", 1, per_day=1000, slots=4))
    assert 4 == demand_of(store.groups[0], store).slots


def test_heat_asks_for_slots() -> None:
    """At 85 degC a page lasts about 0.27 of its life (0.20 eV): 5.26 M records need 20 slots."""
    store = schema(group("g", 1, per_day=24 * 60), temperature_c=85)
    assert math.ceil(5.2596 / 0.268) == demand_of(store.groups[0], store).slots


def test_slots_of_the_schema() -> None:
    """`slots` in a schema is taken as it is."""
    store = schema(group("g", 1, slots=2))
    assert 2 == demand_of(store.groups[0], store).slots
    assert not demand_of(store.groups[0], store).hot
