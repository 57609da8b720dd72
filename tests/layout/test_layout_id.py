"""The layout id names the places of all fields and nothing else."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from paramstore.core.scalars import SCALARS
from paramstore.layout.layout_id import layout_id, layout_text, plain_decimal
from paramstore.layout.place import make_plan
from paramstore.schema.model import Field, Kind, Parameter
from tests.independent_decoder import crc32c_bit_by_bit
from tests.layout.builders import group, schema, sized

TEMPERATURE = Parameter("temp", Kind.INTEGER, (Field(
    "temp", Kind.INTEGER, SCALARS["i16"], 2, (0, 0), scale=Decimal("0.010"), offset=Decimal("-40")),
))
STORE = schema(group("g", 7, sized("a", 3), TEMPERATURE))

TEXT = (
    '{"format":1,"before":0,"capacity":4096,"page":32,"rings":[{"group":7,"first_page":2,"slots":3,'
    '"slot_pages":1,"body":23,"fields":['
    '{"name":"a","type":"u8","count":3,"offset":0,"scale":"1","zero":"0"},'
    '{"name":"temp","type":"i16","count":2,"offset":3,"scale":"0.01","zero":"-40"}]}]}'
)


def test_text() -> None:
    """The text is the one that FORMAT.md, section 6, describes, and the id is its CRC-32C."""
    plan = make_plan(STORE)
    assert TEXT == layout_text(plan.part, plan.rings, 0)
    assert crc32c_bit_by_bit(TEXT.encode()) == plan.layout_id


def test_rings_in_order_of_id() -> None:
    """The order in which rings are handed over does not matter."""
    rings = make_plan(schema(group("b", 2), group("a", 1))).rings
    assert layout_id(STORE.part, rings, 0) == layout_id(STORE.part, reversed(rings), 0)


@pytest.mark.parametrize("edit", [
    {"doc": "other words"}, {"name": "renamed"}, {"writes_per_day": 3.0},
])
def test_words_do_not_matter(edit: dict[str, Any]) -> None:
    """Names and documentation of a group, and rates that change no slot, leave the id alone."""
    edited = replace(STORE, groups=(replace(STORE.groups[0], **edit),))
    assert make_plan(STORE).layout_id == make_plan(edited).layout_id


@pytest.mark.parametrize("edit", [{"id": 8}, {"slots": 4}, {"room": 1}])
def test_places_matter(edit: dict[str, Any]) -> None:
    """A group number, a slot more, or another body size is another layout."""
    edited = replace(STORE, groups=(replace(STORE.groups[0], **edit),))
    assert make_plan(STORE).layout_id != make_plan(edited).layout_id


@pytest.mark.parametrize(("value", "text"), [
    ("1", "1"), ("1.000", "1"), ("0", "0"), ("-0.0", "0"), ("1E+3", "1000"), ("100", "100"),
    ("0.010", "0.01"), ("1E-7", "0.0000001"), ("-40", "-40"),
])
def test_plain_decimal(value: str, text: str) -> None:
    """Numbers are written in the shortest notation without an exponent."""
    assert text == plain_decimal(Decimal(value))
