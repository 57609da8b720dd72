"""Every byte belongs to one thing, every parameter has its places, and the two agree."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.core.disk import read_text
from paramstore.core.errors import ToolError
from paramstore.inspect.fixed_places import FixedPlaces
from paramstore.inspect.regions import Claim, Places, parse_address
from paramstore.inspect.store_places import StorePlaces
from paramstore.layout.plan import Ring
from paramstore.record import build_record, element_bytes, encode_body
from paramstore.report.places import bit_text
from paramstore.schema.bits import place_bytes
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.model import Kind
from tests.inspect.scenes import PLAN
from tests.record.plans import EXAMPLE

SETTINGS = PLAN.ring("settings")
STORE, PUMP = StorePlaces(PLAN), StorePlaces(EXAMPLE)
EDID = FixedPlaces(read_layout(read_text(
    Path(__file__).parents[2] / "schemas" / "edid.fixed.toml"))[0])


def claim_at(places: Places, address: int) -> Claim:
    (claim,) = places.claims(address)
    return claim


@pytest.mark.parametrize("places", [STORE, PUMP, EDID], ids=["bench_unit", "pump_drive", "edid"])
def test_bytes_are_divided_without_gap_or_overlap(places: Places) -> None:
    """Regions follow one another from the first byte to the last, and so do the runs in them."""
    at = 0
    for region in places.regions:
        for run in region.runs:
            assert at == run.first < run.end
            at = run.end
        assert at == region.end
    assert places.size == at


@pytest.mark.parametrize("places", [STORE, PUMP], ids=["bench_unit", "pump_drive"])
def test_every_byte_of_a_part_is_of_one_thing(places: Places) -> None:
    """What a byte belongs to has that byte, and all of its bytes say the same."""
    for address in range(places.size):
        claim = claim_at(places, address)
        assert address in claim.addresses
        first = claim_at(places, claim.addresses[0])
        assert (claim.name, claim.addresses) == (first.name, first.addresses)


@pytest.mark.parametrize("ring", PLAN.rings, ids=lambda r: r.group.name)
def test_places_of_a_parameter_are_of_that_parameter(ring: Ring) -> None:
    """Name to address and back is the same, in every slot, for every element."""
    for placed in ring.fields:
        name = f"{ring.group.name}.{placed.field.name}"
        found = STORE.find(name)
        assert list(range(ring.slots)) == [at.block.number for at in found]
        for at in found:
            first, last = place_bytes(at.place)[0], place_bytes(at.place)[-1]
            claim = claim_at(STORE, first)
            assert (placed.field, 0) == (claim.thing.field, claim.element)
            assert at.block.number == STORE.region_at(first).number
            assert placed.field is claim_at(STORE, last).thing.field
        if placed.field.array:
            found = STORE.find(f"{name}[7]")
            assert [7] * ring.slots == [claim_at(STORE, place_bytes(at.place)[0]).element
                                        for at in found]


def test_a_value_stands_where_it_is_located() -> None:
    """What is written into a record is found at the address that is told."""
    body = encode_body(SETTINGS, {"gain": (-1234,)})
    record = build_record(PLAN, SETTINGS, 2, body)
    at = place_bytes(STORE.find("gain")[1].place)[0] - SETTINGS.address(1)
    assert element_bytes(PLAN.rings[1].fields[1].field.scalar, -1234) == record[at:at + 2]


def test_flags_have_bits() -> None:
    """The name of a flag gives its bit, and the bit gives the name."""
    found = STORE.find("settings.alarms.high")
    assert {(1, 1, True)} == {(b.low, b.width, at.bit) for at in found for b in at.place}
    claim = claim_at(STORE, found[0].place[0].address)
    assert ["flag `low`", "flag `high`", "a flag without a name"] == [
        bit_text(claim, bit) for bit in range(3)]


def test_bits_of_numbers_have_their_weight() -> None:
    """A bit of a scaled integer is a physical step, the highest of a signed one its sign."""
    first = place_bytes(STORE.find("settings.gain")[0].place)[0]
    low, high = (claim_at(STORE, first + i) for i in (0, 1))
    assert "0.04 dB of the value" == bit_text(low, 2)
    assert "the sign: set, it takes 327.68 dB off" == bit_text(high, 7)
    gain = place_bytes(PUMP.find("gain")[0].place)
    bits = [bit_text(claim_at(PUMP, gain[3]), b) for b in (7, 6)]
    assert ["the sign", "bit 7 of the exponent"] == bits
    assert "bit 0 of the fraction" == bit_text(claim_at(PUMP, gain[0]), 0)
    assert "bit 9 of the sequence number" == bit_text(
        claim_at(STORE, SETTINGS.address(0) + 1), 1)


@pytest.mark.parametrize(("name", "message"), [
    ("settings.gian", "group `settings` has no parameter `gian`"),
    ("nothing", "`nothing` is neither an address nor a parameter"),
    ("nothing.gain", "`nothing.gain` is neither an address nor a parameter"),
    ("curve.steps[40]", "`steps` has 40 elements"),
    ("settings.alarms.hgih", "`alarms` has no flag `hgih`"),
    ("settings.gain.x", "`settings.gain.x` names nothing: `.x` is left over"),
    ("?", "`?` is neither an address nor a parameter"),
])
def test_what_is_not_there_is_refused(name: str, message: str) -> None:
    """A name that does not exist is an error with what does."""
    with pytest.raises(ToolError) as caught:
        STORE.find(name)
    assert message == caught.value.message and caught.value.help


def test_an_address_beyond_the_part_is_refused() -> None:
    """The last address is the last."""
    assert "free" != claim_at(STORE, 4095).name
    for places in (STORE, EDID):
        with pytest.raises(ToolError):
            places.region_at(places.size)


def test_addresses_are_told_from_names() -> None:
    """Decimal or hexadecimal, with or without a bit."""
    assert [(419, None), (419, 3), (16, 0), None, None] == [
        parse_address(t) for t in ("0x1A3", "0x1A3.3", "16.0", "settings.gain", "1A3")]
    with pytest.raises(ToolError, match="no bit 8"):
        parse_address("0x1A3.8")


def test_every_kind_of_field_explains_its_bits() -> None:
    """No kind is without words."""
    seen = {claim.thing.field.kind: bit_text(claim, claim.bits.low)
            for places in (STORE, PUMP, EDID) for address in range(places.size)
            for claim in places.claims(address) if claim.thing.field}
    assert {Kind.INTEGER, Kind.FLOAT, Kind.ENUM, Kind.FLAGS, Kind.DATE, Kind.CURVE,
            Kind.TEXT} <= seen.keys()
    assert all(seen.values())
