"""Values in RAM: the order of numbers, defaults, limits and rules."""

import math
import struct
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS
from paramstore.core.status import Status
from paramstore.layout.plan import Plan
from paramstore.verify.twin.values import RamValues, _order
from tests.record.plans import EXAMPLE, plans_with_values

LIMITS, USER = EXAMPLE.rings


@given(st.floats(allow_nan=False), st.floats(allow_nan=False))
def test_floats_are_ordered_as_numbers(a: float, b: float) -> None:
    """Bytes compare as the numbers do, -0.0 and 0.0 alike, infinities included."""
    scalar = SCALARS["f64"]
    key_a, key_b = _order(scalar, scalar.pack(a)), _order(scalar, scalar.pack(b))
    assert (a < b, a == b) == (key_a < key_b, key_a == key_b)


@given(st.integers(0x7F800001, 0x7FFFFFFF))
def test_nan_lies_beyond_infinity(bits: int) -> None:
    """Whatever its payload, on the side of its sign."""
    scalar = SCALARS["f32"]
    infinity = _order(scalar, scalar.pack(math.inf))
    assert infinity < _order(scalar, struct.pack("<I", bits))
    assert -infinity > _order(scalar, struct.pack("<I", bits | 1 << 31))


@given(plans_with_values())
def test_get_returns_what_was_put(drawn: tuple[Plan, dict[str, dict[str, Any]]]) -> None:
    """Element by element, for every scalar type."""
    plan, values = drawn
    for ring in plan.rings:
        mirror = RamValues(ring)
        for name, raws in values[ring.group.name].items():
            scalar = mirror.fields[name].field.scalar
            for i, raw in enumerate(raws):
                mirror.put(name, i, scalar.pack(raw))
            assert raws == mirror.get(name)


def test_a_broken_rule_outranks_a_broken_limit() -> None:
    """Both are looked for; ERR_RULE is told if there is one."""
    values = RamValues(LIMITS)
    values.put("current", 0, struct.pack("<H", 4001))
    assert Status.ERR_LIMIT is values.check()
    values.put("flow.x", 0, bytes([9, 9, 9]))
    assert Status.ERR_RULE is values.check()


def test_mending_leaves_what_is_right() -> None:
    """Defaults only for the parameter that breaks its limits, and for all that share a rule."""
    values = RamValues(USER)
    values.put("name", 0, b"x\0\0\0\0\0")
    values.put("low", 0, b"\x05")
    values.put("high", 0, b"\x05")
    assert Status.ERR_RULE is values.check(repair=True)
    assert ((-3,), (4,), tuple(b"x\0\0\0\0\0")) == (
        values.get("low"), values.get("high"), values.get("name"))
    assert Status.OK is values.check()
