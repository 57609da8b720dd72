"""Bodies carry raws to bytes and back without loss."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS, Scalar, ScalarForm
from paramstore.layout.plan import Plan
from paramstore.record import (
    CodecError,
    decode_body,
    default_payload,
    element_bytes,
    encode_body,
    with_values,
)
from paramstore.schema.model import Group, Role, Schema
from tests.record.plans import EXAMPLE, one, part, plan_of, plans_with_values, same

LIMITS, USER = EXAMPLE.rings


def ring_of(*parameters: Any, room: int = 0) -> Any:
    schema = Schema("s", part(), (Group("g", 1, Role.SETTING, 1.0, parameters),))
    return plan_of(schema, [2], [room]).rings[0]


@given(plans_with_values())
@settings(max_examples=60)
def test_round_trip(case: tuple[Plan, Any]) -> None:
    """What is encoded decodes to the same raws, bit for bit, for any fields."""
    plan, values = case
    for ring in plan.rings:
        body = encode_body(ring, values[ring.group.name])
        assert ring.body_bytes == len(body)
        assert same(values[ring.group.name], decode_body(ring, body))


@pytest.mark.parametrize("scalar", SCALARS.values(), ids=list(SCALARS))
def test_ends_of_every_scalar(scalar: Scalar) -> None:
    """The least and the greatest value of each scalar survive, one step beyond is refused."""
    ring = ring_of(one("p", scalar.name, scalar.minimum, scalar.maximum))
    raws = decode_body(ring, encode_body(ring, {}))["p"]
    assert (scalar.minimum, scalar.maximum) == raws
    if scalar.form is not ScalarForm.FLOAT:
        for beyond in (int(scalar.minimum) - 1, int(scalar.maximum) + 1):
            with pytest.raises(CodecError):
                encode_body(ring, {"p": (0, beyond)})


def test_fields_lie_as_format_md_section_5_says() -> None:
    """Little-endian, two's complement, all x before all y, room filled with FF."""
    assert "c409 0000c03f 003264 fbff 2c01 bc02 ffff".replace(" ", "") == encode_body(
        LIMITS, {}).hex()
    assert "70756d700000 fd 04".replace(" ", "") == encode_body(USER, {}).hex()


def test_missing_fields_take_their_defaults() -> None:
    """Only what is given differs from the default payload, which has no room."""
    payload = default_payload(LIMITS)
    assert LIMITS.payload_bytes == len(payload)
    body = encode_body(LIMITS, {"current": (1,)})
    assert b"\x01\x00" + payload[2:] + b"\xff\xff" == body


@pytest.mark.parametrize(
    ("values", "field", "offset", "message"),
    [
        ({"current": (65536,)}, "current", 0, "the value does not fit"),
        ({"current": (1.5,)}, "current", 0, "the value does not fit"),
        ({"gain": (1e39,)}, "gain", 2, "the value does not fit"),
        ({"gain": (float("nan"),)}, "gain", 2, "NaN and infinite values are not stored"),
        ({"gain": (float("-inf"),)}, "gain", 2, "NaN and infinite values are not stored"),
        ({"flow.y": (1, 2, 1 << 40)}, "flow.y", 9, "the value does not fit"),
        ({"flow.x": (1, 2)}, "flow.x", 6, "2 elements given, 3 needed"),
        ({"flow": (1,)}, "", 0, "group `limits` has no field `flow`"),
        ({"current": (10**400,)}, "current", 0, "the value does not fit"),
    ],
)
def test_errors_name_field_and_offset(values: Any, field: str, offset: int, message: str) -> None:
    """A value that has no bytes is refused with the name of its field and its place."""
    with pytest.raises(CodecError) as caught:
        encode_body(LIMITS, values)
    assert (field, offset, message) == (
        caught.value.field, caught.value.offset, caught.value.message)
    assert (f"`{field}` at byte {offset}: {message}" if field else message) == str(caught.value)


def test_one_element_that_is_no_number_is_refused() -> None:
    """Be the others what they may."""
    ring = ring_of(one("p", "f64", 1.0, 2.0, 3.0))
    with pytest.raises(CodecError, match="NaN"):
        encode_body(ring, {"p": (1.0, float("nan"), 3.0)})


def test_a_record_has_the_fields_of_its_revision() -> None:
    """What came with a later one has its default, whatever the bytes are there."""
    ring = ring_of(one("a", "u8", 1), one("b", "u8", 2), one("c", "u8", 3))
    first, second, third = ring.fields
    grown = replace(ring, fields=(first, second._replace(since=2), third._replace(since=3)))
    for revision, values in ((1, (7, 2, 3)), (2, (7, 8, 3)), (3, (7, 8, 9)), (4, (7, 8, 9))):
        assert {"a": values[:1], "b": values[1:2], "c": values[2:]} == decode_body(
            grown, bytes([7, 8, 9]), revision)


def test_a_body_that_is_too_short_is_refused() -> None:
    """Decoding tells which field the bytes end in."""
    with pytest.raises(CodecError) as caught:
        decode_body(LIMITS, bytes(7))
    assert ("flow.x", 6, "the data ends after 7 bytes") == (
        caught.value.field, caught.value.offset, caught.value.message)


@given(st.binary(min_size=LIMITS.body_bytes, max_size=LIMITS.body_bytes))
def test_any_body_decodes(body: bytes) -> None:
    """Any bytes of the right length are values, be they within limits or not."""
    assert {"current", "gain", "flow.x", "flow.y"} == set(decode_body(LIMITS, body))


def test_element_bytes() -> None:
    """One raw has the bytes of its scalar; a raw that does not fit is refused."""
    assert bytes.fromhex("fdff") == element_bytes(SCALARS["i16"], -3)
    assert bytes.fromhex("0000803f") == element_bytes(SCALARS["f32"], 1.0)
    for scalar, value in (("u8", 256), ("u8", -1), ("f32", 1e39)):
        with pytest.raises(CodecError, match="does not fit in"):
            element_bytes(SCALARS[scalar], value)


@pytest.mark.parametrize("revision", [1, 2, 3])
def test_other_values_lie_where_records_of_a_revision_have_them(revision: int) -> None:
    """All else stays: the room, and what that revision does not know."""
    ring = replace(LIMITS, fields=tuple(
        placed._replace(since=1 + at % 3) for at, placed in enumerate(LIMITS.fields)))
    before = bytes(range(100, 100 + ring.body_bytes))
    values = {p.field.name: tuple(e * 0 for e in p.field.default) for p in ring.fields}
    after, zeros = with_values(ring, before, revision, values), encode_body(ring, values)
    known = {a for p in ring.fields if p.since <= revision
             for a in range(p.offset, p.offset + p.field.size)}
    assert [zeros[a] if a in known else before[a] for a in range(ring.body_bytes)] == list(after)
    assert 0 < len(known) < ring.body_bytes
