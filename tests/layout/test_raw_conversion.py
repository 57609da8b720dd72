"""What a conversion costs: whatever is rounded could have been foreseen."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import assume, event, given
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS, Scalar, ScalarForm, round_f32
from paramstore.layout.raw_conversion import (
    Arithmetic,
    Conversion,
    Renumbering,
    convert_raw,
    may_round,
    rounded,
)

SMALL = [s for s in SCALARS.values() if s.size < 8 or s.form is ScalarForm.FLOAT]
FACTORS = st.sampled_from([Fraction(n, d) for n in (1, 2, 3, 7, 1000, -1) for d in (
    1, 2, 10, 60, 1000, 3600)])


def raws(scalar: Scalar, low: int = -1 << 31, high: int = (1 << 32) - 1) -> st.SearchStrategy:
    if scalar.form is not ScalarForm.FLOAT:
        return st.integers(max(int(scalar.minimum), low), min(int(scalar.maximum), high))
    numbers = st.floats(-1e6, 1e6).filter(lambda x: x == 0 or abs(x) > 1e-20)
    return numbers.map(round_f32) if scalar.size == 4 else numbers


@given(st.sampled_from(SMALL), st.sampled_from(SMALL), FACTORS,
       st.sampled_from([Fraction(0), Fraction(1), Fraction(-40), Fraction("273.15")]), st.data())
def test_nothing_is_rounded_that_was_not_foreseen(
        source: Scalar, target: Scalar, factor: Fraction, addend: Fraction,
        data: st.DataObject) -> None:
    """A value that comes out as another number is in a range of which that was said."""
    conversion = Conversion(source, target, Arithmetic.of(factor, addend))
    ends = sorted(data.draw(st.tuples(raws(source), raws(source))))
    old = data.draw(st.sampled_from(ends) if source.form is ScalarForm.FLOAT
                    else st.integers(*ends))
    new = convert_raw(conversion, old)
    assume(new is not None)
    foreseen, happened = may_round(conversion, *ends), rounded(conversion, old, new)
    event(f"foreseen {foreseen}, happened {happened}")
    assert foreseen or not happened


@pytest.mark.parametrize(("source", "target", "factor", "old", "lost"), [
    ("f64", "f32", 1, 0.3, False), ("f64", "f32", 1, 0.30000000001, True),
    ("f32", "u16", 10, round_f32(1.3), False), ("f32", "u16", 10, round_f32(1.34), True),
    ("u16", "u16", Fraction(1, 10), 70, False), ("u16", "u16", Fraction(1, 10), 71, True),
    ("u16", "u16", Fraction(10, 6), 1, True), ("u16", "f32", Fraction(1, 60), 1, False),
    ("u32", "f32", 1, 1 << 24, False), ("u32", "f32", 1, (1 << 24) + 1, True),
    ("f32", "f64", Fraction(1, 1000), round_f32(1021.3), False),
    ("i64", "f32", Fraction(1, 100000), 21313534375, False),
])
def test_what_counts_as_rounded(source: str, target: str, factor: Fraction, old: float,
                                lost: bool) -> None:
    """A number that shows as another one, unless it leads back to the old one."""
    conversion = Conversion(SCALARS[source], SCALARS[target],
                            Arithmetic.of(Fraction(factor), Fraction(0)))
    new = convert_raw(conversion, old)
    assert new is not None
    assert lost is rounded(conversion, old, new)


@pytest.mark.parametrize(("source", "target", "factor", "addend", "ends", "may"), [
    ("f64", "f32", 1, 0, (0, 1), True), ("f32", "f64", 1, 0, (0, 1), False),
    ("f32", "f32", 1, 0, (0, 1), False), ("f64", "f64", 1, 0, (0, 1), False),
    ("f32", "f32", 2, 0, (0, 1), True), ("f32", "f32", 1, 1, (0, 1), True),
    ("f32", "f64", 1, 1, (0, 1), True), ("f32", "f64", Fraction(1, 3), 0, (0, 1), False),
    ("f32", "u16", 1, 0, (0, 1), True), ("u16", "u16", 1, 0, (0, 1), False),
    ("u16", "u16", 3, 1, (0, 1), False), ("u16", "u16", Fraction(1, 2), 0, (0, 1), True),
])
def test_rounding_is_foreseen_only_where_it_can_be(
        source: str, target: str, factor: float, addend: int, ends: tuple[int, int],
        may: bool) -> None:
    """Not where every value of the range has its equal, nor where the bytes or members move."""
    scalars = SCALARS[source], SCALARS[target]
    conversion = Conversion(*scalars, Arithmetic.of(Fraction(factor), Fraction(addend)))
    assert may is may_round(conversion, *ends)
    assert not may_round(Conversion(*scalars), *ends)
    assert not may_round(Conversion(*scalars, Renumbering(((0, 1),), bits=False)), *ends)


def test_members_move_as_they_are_told() -> None:
    """A member of an enum to its new number, flags bit by bit; what has no new place has no equal.
    Without a rule a raw stays what it is."""
    u8 = SCALARS["u8"]
    members = Conversion(u8, u8, Renumbering(((0, 5), (7, 0)), bits=False))
    assert [5, 0, None, None] == [convert_raw(members, raw) for raw in (0, 7, 1, 5)]
    flags = Conversion(u8, u8, Renumbering(((0, 5), (7, 0)), bits=True))
    assert [0, 0x20, 1, 0x21, None, None] == [
        convert_raw(flags, raw) for raw in (0, 1, 0x80, 0x81, 2, 0x83)]
    assert [0, 7, 255, 1.5] == [convert_raw(Conversion(u8, u8), raw) for raw in (0, 7, 255, 1.5)]


@pytest.mark.parametrize(("source", "target", "factor", "ends", "may"), [
    ("u32", "f32", 1, (0, 1 << 24), False), ("u32", "f32", 1, (0, (1 << 24) + 1), True),
    ("i32", "f32", 1, (-(1 << 24), 5), False), ("i32", "f32", 1, (-(1 << 24) - 1, 5), True),
    ("u32", "f32", 3, (0, 5_000_000), False), ("u32", "f32", 3, (0, 6_000_000), True),
    ("u32", "f64", 1, (0, (1 << 32) - 1), False), ("u64", "f64", 1, (0, 1 << 53), False),
    ("u64", "f64", 1, (0, (1 << 53) + 1), True)])
def test_whole_numbers_as_floats(source: str, target: str, factor: int, ends: tuple[int, int],
                                 may: bool) -> None:
    """IEEE 754: binary32 holds each whole number up to 2 to the 24th, binary64 up to 2 to the
    53rd."""
    conversion = Conversion(SCALARS[source], SCALARS[target],
                            Arithmetic.of(Fraction(factor), Fraction(0)))
    assert may is may_round(conversion, *ends)
