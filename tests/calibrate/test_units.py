"""Units: prefixes, products and quotients, and names that are left alone."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.calibrate.units import NONE, factor, parse_unit, same_spelling

UNITS = st.sampled_from(["V", "mV", "uV", "ohm", "kohm", "uS/cm", "mS/cm", "pH", "degC", "%", "1",
                         "ppm", "kg", "mm", "count", "mV/pH", "1/K", "A*s", "Mohm"])


@pytest.mark.parametrize(("source", "target", "expected"), [
    ("V", "uV", 1_000_000), ("mV/pH", "V/pH", Fraction(1, 1000)), ("kohm", "ohm", 1000),
    ("uS/cm", "mS/cm", Fraction(1, 1000)), ("1", "%", 100), ("", "ppm", 1_000_000),
    ("uS/cm/uS", "1/cm", 1), ("uS/(uS/cm)", "cm", 1), ("mV", "mV", 1), ("kg", "g", 1000),
])
def test_factor(source: str, target: str, expected: Fraction) -> None:
    """Units that differ by prefixes and plain numbers have a factor."""
    assert expected == factor(parse_unit(source), parse_unit(target))


@pytest.mark.parametrize(("source", "target"), [
    ("V", "A"), ("pH", "H"), ("degC", "K"), ("mV/pH", "mV"), ("count", "V"), ("min", "m"),
    ("mol", "m"),
])
def test_no_factor(source: str, target: str) -> None:
    """Nothing is converted that differs by more than a prefix, or only looks like a prefix."""
    assert factor(parse_unit(source), parse_unit(target)) is None


@given(UNITS, UNITS)
def test_products_and_quotients(one: str, other: str) -> None:
    """A unit times another, divided by it, is the first; a unit by itself is a plain number."""
    a, b = parse_unit(one), parse_unit(other)
    assert a == a * b / b
    assert NONE == a / a
    assert a * b == b * a


@given(UNITS, UNITS)
def test_there_and_back(one: str, other: str) -> None:
    """If one unit turns into another, the other turns back."""
    there, back = (factor(parse_unit(a), parse_unit(b)) for a, b in ((one, other), (other, one)))
    assert (there is None) == (back is None)
    assert there is None or back is None or 1 == there * back


def test_spellings() -> None:
    """A person may write micro, ohm and degree as they like."""
    assert same_spelling("µV", "uV") and same_spelling("kΩ", "kohm") and same_spelling("°C", "degC")
    assert not same_spelling("mV", "V")
