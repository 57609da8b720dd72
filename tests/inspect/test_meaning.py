"""Every byte has one meaning, every parameter its places, and the two agree."""

from __future__ import annotations

import pytest

from paramstore.core.errors import ToolError
from paramstore.inspect.meaning import bit_meaning, locate, meaning_of, parse_address
from paramstore.layout.plan import Plan, Ring
from paramstore.record import build_record, element_bytes, encode_body
from paramstore.schema.model import Kind
from tests.inspect.scenes import PLAN
from tests.record.plans import EXAMPLE

SETTINGS = PLAN.ring("settings")


@pytest.mark.parametrize("plan", [PLAN, EXAMPLE], ids=["bench_unit", "pump_drive"])
def test_every_byte_of_a_part_means_one_thing(plan: Plan) -> None:
    """Things follow one another without gap or overlap, from the first byte to the last."""
    address = 0
    while address < plan.part.capacity:
        meaning = meaning_of(plan, address)
        assert (address, 0) == (meaning.first, meaning.byte)
        inside = [meaning_of(plan, a) for a in range(address, address + meaning.size)]
        assert {(meaning.first, meaning.size)} == {(m.first, m.size) for m in inside}
        address += meaning.size


@pytest.mark.parametrize("ring", PLAN.rings, ids=lambda r: r.group.name)
def test_places_of_a_parameter_mean_that_parameter(ring: Ring) -> None:
    """Name to address and back is the same, in every slot, for every element."""
    for placed in ring.fields:
        name = f"{ring.group.name}.{placed.field.name}"
        found, places = locate(PLAN, name)
        assert found is ring and len(places) == found.slots
        for place in places:
            meaning = meaning_of(PLAN, place.address)
            assert (placed.field, place.slot, 0) == (meaning.field, meaning.slot, meaning.element)
            last = meaning_of(PLAN, place.address + place.size - 1)
            assert placed.field is last.field
        if placed.field.array:
            _, places = locate(PLAN, f"{name}[7]")
            assert [7] * len(places) == [meaning_of(PLAN, p.address).element for p in places]


def test_a_value_stands_where_it_is_located() -> None:
    """What is written into a record is found at the address that is told."""
    body = encode_body(SETTINGS, {"gain": (-1234,)})
    record = build_record(PLAN, SETTINGS, 2, body)
    _, places = locate(PLAN, "gain")
    at = places[1].address - SETTINGS.address(1)
    assert element_bytes(PLAN.rings[1].fields[1].field.scalar, -1234) == record[at:at + 2]


def test_flags_have_bits() -> None:
    """The name of a flag gives its bit, and the bit gives the name."""
    _, places = locate(PLAN, "settings.alarms.high")
    assert {1} == {p.bit for p in places}
    meaning = meaning_of(PLAN, places[0].address)
    assert ["flag `low`", "flag `high`", "a flag without a name"] == [
        bit_meaning(meaning, bit) for bit in range(3)]


def test_bits_of_numbers_have_their_weight() -> None:
    """A bit of a scaled integer is a physical step, the highest of a signed one its sign."""
    _, places = locate(PLAN, "settings.gain")
    low, high = (meaning_of(PLAN, places[0].address + i) for i in (0, 1))
    assert "0.04 dB of the value" == bit_meaning(low, 2)
    assert "the sign: set, it takes 327.68 dB off" == bit_meaning(high, 7)
    gain = next(m for a in range(EXAMPLE.part.capacity)
                if (m := meaning_of(EXAMPLE, a)).what == "gain")
    bits = [bit_meaning(meaning_of(EXAMPLE, gain.first + 3), b) for b in (7, 6)]
    assert ["the sign", "bit 7 of the exponent"] == bits
    assert "bit 0 of the fraction" == bit_meaning(gain, 0)
    assert "bit 9 of the sequence number" == bit_meaning(
        meaning_of(PLAN, SETTINGS.address(0) + 1), 1)


@pytest.mark.parametrize(("name", "message"), [
    ("settings.gian", "group `settings` has no parameter `gian`"),
    ("nothing", "`nothing` is neither an address nor a parameter"),
    ("curve.steps[40]", "`steps` has 40 elements"),
    ("settings.alarms.hgih", "`alarms` has no flag `hgih`"),
    ("settings.gain.x", "`settings.gain.x` names nothing: `.x` is left over"),
    ("?", "`?` is neither an address nor a parameter"),
])
def test_what_is_not_there_is_refused(name: str, message: str) -> None:
    """A name that does not exist is an error with what does."""
    with pytest.raises(ToolError) as caught:
        locate(PLAN, name)
    assert message == caught.value.message and caught.value.help


def test_an_address_beyond_the_part_is_refused() -> None:
    """The last address is the last."""
    assert "free" != meaning_of(PLAN, 4095).what
    with pytest.raises(ToolError):
        meaning_of(PLAN, 4096)


def test_addresses_are_told_from_names() -> None:
    """Decimal or hexadecimal, with or without a bit."""
    assert [(419, None), (419, 3), (16, 0), None, None] == [
        parse_address(t) for t in ("0x1A3", "0x1A3.3", "16.0", "settings.gain", "1A3")]
    with pytest.raises(ToolError, match="no bit 8"):
        parse_address("0x1A3.8")


def test_every_kind_of_field_explains_its_bits() -> None:
    """No kind is without words."""
    seen = {m.field.kind: bit_meaning(m, 0) for plan in (PLAN, EXAMPLE)
            for a in range(plan.part.capacity) if (m := meaning_of(plan, a)).field}
    assert {Kind.INTEGER, Kind.FLOAT, Kind.ENUM, Kind.FLAGS, Kind.DATE, Kind.CURVE,
            Kind.TEXT} <= seen.keys()
    assert all(seen.values())
