"""Physical values to raw ones and back, and what is said of values that cannot be stored."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS, Raw
from paramstore.schema.from_raw import format_value, from_raw, parameter_from_raw
from paramstore.schema.model import Field, Kind, Parameter, ValueLimits
from paramstore.schema.to_raw import (
    Loss,
    ValueProblem,
    check_limits,
    parameter_to_raw,
    physical_to_raw,
    to_raw,
)
from tests.strategies import field_raws, parameters

SLOPE = Field("slope", Kind.FLOAT, SCALARS["f32"], 1, (-59.15999984741211,), unit="mV/pH",
              digits=2, limits=ValueLimits(((-70.0, -40.0),)))
LEVEL = Field("level", Kind.INTEGER, SCALARS["u8"], 1, (0,), limits=ValueLimits(((10, 90),)))
TEMP = Field("temp", Kind.INTEGER, SCALARS["i16"], 3, (0, 0, 0), array=True, unit="degC",
             scale=Decimal("0.5"), offset=Decimal(-40), digits=1)
PUMP = Field("pump", Kind.BOOL, SCALARS["u8"], 1, (0,), limits=ValueLimits(((0, 1),)))
MODE = Field("mode", Kind.ENUM, SCALARS["u8"], 1, (0,), limits=ValueLimits(((0, 0), (5, 5))),
             members=(("off", 0), ("auto", 5)))
ALARMS = Field("alarms", Kind.FLAGS, SCALARS["u8"], 1, (0,), limits=ValueLimits(mask=0x11),
               members=(("low", 0), ("high", 4)))
MADE = Field("made", Kind.DATE, SCALARS["u16"], 1, (0,))
LABEL = Field("label", Kind.TEXT, SCALARS["u8"], 4, (0,) * 4)
KEY = Field("key", Kind.BYTES, SCALARS["u8"], 3, (0,) * 3)
CURVE = Parameter("lin", Kind.CURVE, (
    Field("lin.x", Kind.CURVE, SCALARS["u16"], 2, (0, 1), rising=True),
    Field("lin.y", Kind.CURVE, SCALARS["i8"], 2, (0, 0), scale=Decimal("0.1")),
))


@given(st.data())
def test_what_is_read_back_is_stored_the_same(data: st.DataObject) -> None:
    """Raw to physical to raw is the identity, without a loss, for every kind of parameter."""
    parameter = data.draw(parameters())
    raws = {f.name: data.draw(field_raws(f)) for f in parameter.fields}
    again = parameter_to_raw(parameter, parameter_from_raw(parameter, raws))
    assert raws == {name: conversion.raws for name, conversion in again.items()}
    assert all(conversion.losses == () for conversion in again.values())


@given(st.data())
def test_shown_numbers_carry_their_unit(data: st.DataObject) -> None:
    """A number as it is shown in full, with its unit, is read as that number."""
    parameter = data.draw(parameters().filter(lambda p: p.kind in (Kind.INTEGER, Kind.FLOAT)))
    field = replace(parameter.fields[0], unit="V", digits=None)
    raws = data.draw(field_raws(field))
    single = replace(field, array=False, count=1)
    assert raws[:1] == to_raw(single, format_value(single, raws[:1]))


@pytest.mark.parametrize(
    ("field", "value", "raws"),
    [
        (SLOPE, Decimal("-58.2"), (-58.20000076293945,)),
        (SLOPE, "-58.2 mV/pH", (-58.20000076293945,)),
        (SLOPE, "-58.2mV / pH", (-58.20000076293945,)),
        (SLOPE, -50, (-50.0,)),
        (SLOPE, -58.2, (-58.20000076293945,)),
        (LEVEL, 10, (10,)),
        (LEVEL, Decimal("90.0"), (90,)),
        (TEMP, [Decimal("-39.5"), -40, "20 degC"], (1, 0, 120)),
        (TEMP, 25, (130, 130, 130)),
        (TEMP, Decimal("-40.25"), (0, 0, 0)),  # half way: to the even one
        (TEMP, Decimal("-39.25"), (2, 2, 2)),
        (PUMP, True, (1,)),
        (MODE, "auto", (5,)),
        (ALARMS, ["high", "low"], (0x11,)),
        (ALARMS, [], (0,)),
        (MADE, date(2026, 1, 31), (9527,)),
        (LABEL, "aü", (0x61, 0xC3, 0xBC, 0)),
        (KEY, "00 1a FF", (0, 0x1A, 0xFF)),
        (KEY, "00:1A:FF", (0, 0x1A, 0xFF)),
        (replace(ALARMS, array=True, count=2), ["low"], (1, 1)),
        (replace(ALARMS, array=True, count=2), [["low"], []], (1, 0)),
    ],
)
def test_value_is_stored(field: Field, value: Any, raws: tuple[Raw, ...]) -> None:
    """A value that fits is stored as the nearest raw one."""
    assert raws == to_raw(field, value)


@pytest.mark.parametrize(
    ("field", "value", "kind", "path"),
    [
        (SLOPE, Decimal("-39.9"), "limit", ()),
        (SLOPE, "-58.2 V/pH", "unit", ()),
        (SLOPE, "-58.2", "unit", ()),
        (SLOPE, "steep", "type", ()),
        (SLOPE, True, "type", ()),
        (SLOPE, {}, "type", ()),
        (SLOPE, Decimal("nan"), "finite", ()),
        (SLOPE, Decimal("snan"), "finite", ()),
        (SLOPE, float("-inf"), "finite", ()),
        (SLOPE, Decimal("1e39"), "fit", ()),
        (SLOPE, [1], "type", ()),
        (LEVEL, 9, "limit", ()),
        (LEVEL, 256, "fit", ()),
        (LEVEL, Decimal("1e999999"), "fit", ()),
        (LEVEL, Decimal("1e-999999"), "whole", ()),
        (LEVEL, Decimal("10.5"), "whole", ()),
        (TEMP, [1, 2], "count", ()),
        (TEMP, [1, 2, "x"], "type", (2,)),
        (TEMP, [1, [2], 3], "type", (1,)),
        (TEMP, [1, 1e9, 3], "fit", (1,)),
        (PUMP, 1, "type", ()),
        (MODE, "of", "member", ()),
        (MODE, 5, "type", ()),
        (ALARMS, "low", "type", ()),
        (ALARMS, ["low", "lo"], "member", (1,)),
        (ALARMS, ["low", 4], "type", (1,)),
        (MADE, date(1999, 12, 31), "date", ()),
        (MADE, date(2179, 6, 7), "date", ()),
        (MADE, datetime(2026, 1, 31), "type", ()),
        (MADE, "2026-01-31", "type", ()),
        (LABEL, "müll", "length", ()),
        (LABEL, "a\0", "text", ()),
        (LABEL, "\ud800", "text", ()),
        (LABEL, 5, "type", ()),
        (KEY, "00 1A", "length", ()),
        (KEY, "0x00", "text", ()),
        (KEY, 3, "type", ()),
    ],
)
def test_value_is_refused(field: Field, value: Any, kind: str, path: tuple[int, ...]) -> None:
    """A value that cannot be stored is refused with its kind, its element and help."""
    with pytest.raises(ValueProblem) as caught:
        to_raw(field, value)
    assert (kind, path) == (caught.value.kind, caught.value.path)
    assert field.name in caught.value.message
    assert caught.value.help or kind == "text"


@pytest.mark.parametrize(
    ("value", "kind", "path"),
    [
        (3, "type", ()),
        ([[0, 1]], "count", ()),
        ([[0, 1], [1]], "type", (1,)),
        ([[0, 1], [1, "x"]], "type", (1, 1)),
        ([[0, 1], [0, 2]], "rising", (1, 0)),
        ([[0, 1], [70000, 2]], "fit", (1, 0)),
        ([[0, 1], [1, 20]], "fit", (1, 1)),
    ],
)
def test_curve_is_refused(value: Any, kind: str, path: tuple[int, ...]) -> None:
    """A curve that cannot be stored is refused with the point and the axis that are wrong."""
    with pytest.raises(ValueProblem) as caught:
        parameter_to_raw(CURVE, value)
    assert (kind, path) == (caught.value.kind, caught.value.path)


def test_losses_are_told_with_their_place() -> None:
    """Rounding by a scale, or to fewer digits than were written, is told; f32 fractions are not."""
    assert (Loss((1,), Decimal("0.3"), Decimal("0.5")),) == physical_to_raw(
        TEMP, [0, Decimal("0.3"), 1]).losses
    assert Decimal("0.2") == Loss((), Decimal("0.3"), Decimal("0.5")).error
    assert () == physical_to_raw(SLOPE, Decimal("-59.16")).losses
    (loss,) = physical_to_raw(SLOPE, Decimal("-59.123456789")).losses
    assert Decimal("-59.123455") == loss.stored.quantize(Decimal("0.000001"))
    (loss,) = parameter_to_raw(CURVE, [[0, 0], [1, Decimal("0.22")]])["lin.y"].losses
    assert (1, 1) == loss.path


@pytest.mark.parametrize(
    ("field", "raws", "shown"),
    [
        (SLOPE, (-58.2,), "-58.20 mV/pH"),
        (SLOPE, (float("nan"),), "nan mV/pH"),
        (replace(SLOPE, digits=None), (1e30,), "1e30 mV/pH"),
        (LEVEL, (42,), "42"),
        (TEMP, (1, 0, 120), "[-39.5, -40.0, 20.0] degC"),
        (PUMP, (1,), "true"),
        (MODE, (5,), "auto"),
        (MODE, (3,), "number 3"),
        (ALARMS, (0x11,), "low + high"),
        (ALARMS, (0,), "none"),
        (ALARMS, (0x13,), "low + bit 1 + high"),
        (MADE, (9527,), "2026-01-31"),
        (LABEL, tuple(b"a\"b\0"), '"a\\"b"'),
        (LABEL, (0xFF, 0, 0x61, 0), '"\ufffd"'),
        (KEY, (0, 0x1A, 0xFF), "00 1A FF"),
        (CURVE.fields[1], (0, -5), "[0, -0.5]"),
    ],
)
def test_raw_values_are_shown(field: Field, raws: tuple[Raw, ...], shown: str) -> None:
    """Every raw value can be shown, also one that no value stands for."""
    assert shown == format_value(field, raws)


def test_values_without_a_meaning_are_still_given() -> None:
    """What a damaged record may hold comes back as numbers among the names."""
    assert 3 == from_raw(MODE, (3,))
    assert ["low", 1] == from_raw(ALARMS, (3,))
    assert True is from_raw(PUMP, (7,))


def test_limits_follow_the_scale() -> None:
    """With a negative scale the smallest physical value is the greatest raw one."""
    field = replace(LEVEL, scale=Decimal(-1), offset=Decimal(100))
    check_limits(field, (10,))
    with pytest.raises(ValueProblem, match="= 91 is above its maximum 90"):
        check_limits(field, (9,))


def problem(field: Field, value: object) -> ValueProblem:
    with pytest.raises(ValueProblem) as caught:
        to_raw(field, value)
    return caught.value


def test_a_limit_is_told_of_the_value_that_was_written() -> None:
    """Rounding may move it there."""
    field = Field("level", Kind.INTEGER, SCALARS["u8"], 1, (), limits=ValueLimits(((3, 90),)),
                  unit="V", scale=Decimal("0.1"))
    assert "`level` = 0.25 V, stored as 0.2 V, is below its minimum 0.3 V" == problem(
        field, Decimal("0.25")).message
    assert "`level` = 0.2 V is below its minimum 0.3 V" == problem(field, Decimal("0.2")).message


def test_a_stored_truth_that_is_neither() -> None:
    """Erased bytes are 255, which would be true."""
    field = Field("on", Kind.BOOL, SCALARS["u8"], 1, (), limits=ValueLimits(((0, 1),)))
    with pytest.raises(ValueProblem) as caught:
        check_limits(field, (255,))
    assert "`on` is stored as 255, which is neither true nor false" == caught.value.message


def test_a_flag_is_given_once() -> None:
    """Twice is a slip of the pen: another one was meant."""
    field = Field("a", Kind.FLAGS, SCALARS["u8"], 1, (), limits=ValueLimits(mask=3),
                  members=(("low", 0), ("high", 1)))
    assert ("`a` has `low` twice", (1,)) == (
        problem(field, ["low", "low"]).message, problem(field, ["low", "low"]).path)


@pytest.mark.parametrize(("unit", "written"), [
    ("\u03a9", "5 \u2126"), ("\u2126", "5 \u03a9"), ("\u00b5S/cm", "5 \u03bcS/cm"),
    ("\u03bcS / cm", "5 \u00b5S/cm")])
def test_signs_with_two_code_points_are_one(unit: str, written: str) -> None:
    """Ohm and micro have one for the letter and one for the unit."""
    field = Field("r", Kind.INTEGER, SCALARS["u16"], 1, (), unit=unit)
    assert (5,) == to_raw(field, written)


@pytest.mark.parametrize("text", ["3,5", " 3,5 V", "-3,5"])
def test_a_decimal_comma_is_called_one(text: str) -> None:
    """It is not a unit."""
    field = Field("u", Kind.FLOAT, SCALARS["f32"], 1, (), unit="V")
    found = problem(field, text)
    assert ("`u` is written with a decimal comma", f"write `{text.replace(',', '.').strip()}`") == (
        found.message, found.help)
