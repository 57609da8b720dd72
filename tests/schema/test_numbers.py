"""The arithmetic between physical and raw numbers, against exact fractions."""

from __future__ import annotations

import math
import struct
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS, Scalar, ScalarForm
from paramstore.schema.model import Field, Kind
from paramstore.schema.numbers import (
    exact_steps,
    float_numbers,
    nearest_raw,
    parse_quantity,
    physical,
    shortest_float,
)
from paramstore.schema.to_raw import element_to_raw

INTEGERS = [s for s in SCALARS.values() if s.form is not ScalarForm.FLOAT]
F32, F64 = SCALARS["f32"], SCALARS["f64"]
ONE, ZERO = Decimal(1), Decimal(0)

decimals = st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**25),
                       max_value=10**25)
scales = st.sampled_from([Decimal(s) for s in ("1", "0.01", "0.25", "-0.1", "1000", "3e-5")])
offsets = st.sampled_from([Decimal(o) for o in ("0", "-40", "273.15", "1e-9")])


@given(st.sampled_from(INTEGERS), scales, offsets, st.data())
def test_stored_integers_come_back(
    scalar: Scalar, scale: Decimal, offset: Decimal, data: st.DataObject
) -> None:
    """The physical value of every stored integer is stored as that integer again."""
    raw = data.draw(st.integers(int(scalar.minimum), int(scalar.maximum)))
    assert raw == nearest_raw(scalar, physical(scalar, raw, scale, offset), scale, offset)


@given(decimals, scales, offsets)
def test_no_other_integer_is_nearer(value: Decimal, scale: Decimal, offset: Decimal) -> None:
    """An integer is at most half a step from the value written, exactly halfway it is even."""
    raw = nearest_raw(SCALARS["i64"], value, scale, offset)
    steps = exact_steps(value, scale, offset)
    if raw is None:
        assert not -(2**63) <= round(steps) < 2**63
        return
    distance = abs(Fraction(raw) - steps)
    assert distance <= Fraction(1, 2)
    assert distance < Fraction(1, 2) or int(raw) % 2 == 0


def f32_neighbours(value: float) -> list[float]:
    (bits,) = struct.unpack("<I", struct.pack("<f", abs(value)))
    around = [b for b in (bits - 1, bits, bits + 1) if 0 <= b < 0x7F800000]
    return [math.copysign(struct.unpack("<f", struct.pack("<I", b))[0], value) for b in around]


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**38), max_value=10**38))
@example(Decimal("1.000000059604644775390625000000000000001"))  # rounds twice by way of f64
@example(Decimal("-0.0"))
@example(Decimal("1e-46"))
def test_f32_is_the_nearest_one(value: Decimal) -> None:
    """Rounding to binary32 happens once: no other f32 is nearer to the decimal that is written."""
    raw = nearest_raw(F32, value)
    assert isinstance(raw, float)
    exact = Fraction(value) if abs(value.adjusted()) < 400 else Fraction(0)
    best = min(abs(Fraction(f) - exact) for f in f32_neighbours(raw))
    assert abs(Fraction(raw) - exact) == best
    assert math.copysign(1, raw) == (-1 if value.is_signed() else 1)


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
@example(1.1754943508222875e-38)
@example(3.4028234663852886e38)
def test_fewest_digits_of_an_f32_are_stored_as_it_again(raw: float) -> None:
    """What is shown for an f32 is stored as the same f32, and has at most 9 digits."""
    shown = shortest_float(F32, raw)
    assert raw == nearest_raw(F32, Decimal(repr(shown)))
    assert len(Decimal(repr(shown)).normalize().as_tuple().digits) <= 9


def test_f32_of_a_short_decimal_is_shown_as_that_decimal() -> None:
    """-59.16 comes back as -59.16, not as -59.15999984741211."""
    raw = nearest_raw(F32, Decimal("-59.16"))
    assert raw == -59.15999984741211
    assert Decimal("-59.16") == physical(F32, raw, ONE, ZERO)


@pytest.mark.parametrize("text", ["1e400", "-1e400", "1e999999", "3.4028236e38"])
def test_too_large_for_f32(text: str) -> None:
    """A number beyond binary32 is not stored, however large it is."""
    assert nearest_raw(F32, Decimal(text)) is None


@pytest.mark.parametrize("text", ["1e309", "-1e309", "1e999999"])
def test_too_large_for_f64(text: str) -> None:
    """A number beyond binary64 is not stored."""
    assert nearest_raw(F64, Decimal(text)) is None


@pytest.mark.parametrize("scalar", INTEGERS, ids=lambda s: s.name)
def test_ends_of_integers(scalar: Scalar) -> None:
    """The first and last integer are stored, the ones beyond are not."""
    low, high = int(scalar.minimum), int(scalar.maximum)
    assert [low, high] == [nearest_raw(scalar, Decimal(n)) for n in (low, high)]
    assert [None, None] == [nearest_raw(scalar, Decimal(n)) for n in (low - 1, high + 1)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("-58.2 mV/pH", (Decimal("-58.2"), "mV/pH")), ("5", (Decimal(5), "")),
        (" 1_000.5e-3 V ", (Decimal("1.0005"), "V")), ("12 1/min", (Decimal(12), "1/min")),
        ("+3%", (Decimal(3), "%")), ("V", None), ("", None), (".5 V", None),
        ("1e9999999 V", (Decimal(1), "e9999999 V")),
    ],
)
def test_quantity_is_a_number_and_a_unit(
    text: str, expected: tuple[Decimal, str] | None
) -> None:
    """A quantity begins with a number; the rest is its unit."""
    assert expected == parse_quantity(text)


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_float_is_what_its_bits_say_and_what_it_shows_as(raw: float) -> None:
    """Both numbers are stored as this very float; the exact one may have many more digits."""
    exact, shown = float_numbers(SCALARS["f32"], raw)
    assert Fraction(raw) == Fraction(exact)
    assert raw == nearest_raw(SCALARS["f32"], exact) == nearest_raw(SCALARS["f32"], shown)


@pytest.mark.parametrize(("scalar", "number"), [
    ("f32", "213135.34375"), ("f32", "213135.34"), ("f32", "0.1"), ("f32", "16777215.5"),
    ("f32", "0.100000001490116119384765625"),
    ("f64", "0.1000000000000000055511151231257827021181583404541015625"), ("f64", "0.1"),
])
def test_what_a_float_holds_is_not_called_rounded(scalar: str, number: str) -> None:
    """A number that the stored bits are exactly is no loss, neither in a schema nor for a unit."""
    field = Field("a", Kind.FLOAT, SCALARS[scalar], 1, (0.0,))
    _, losses = element_to_raw(field, Decimal(number), ())
    assert (number == "16777215.5") == bool(losses)


def test_a_tiny_number_costs_no_time() -> None:
    """A number far below all floats is compared as a decimal, never written out."""
    field = Field("a", Kind.FLOAT, SCALARS["f32"], 1, (0.0,))
    raw, losses = element_to_raw(field, Decimal("1e-99999999"), ())
    assert (0.0, 1) == (raw, len(losses))
