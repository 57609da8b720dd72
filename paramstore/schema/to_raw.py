"""From what a person writes to what lies on the EEPROM: physical values to raw ones.

Exact up to the one rounding to the stored type, half to even. Knows fields and limits; knows no
TOML places: a `ValueProblem` says which element is meant, and its catcher where that stands. The
other way, and what physical and raw values are, is `from_raw`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal, localcontext
from math import isnan
from typing import NamedTuple, NoReturn

from paramstore.core.errors import ParamstoreError
from paramstore.core.scalars import SCALARS, Raw, ScalarForm
from paramstore.core.words import did_you_mean, ordinal, plural, show_number, type_of
from paramstore.located.keys import Problem
from paramstore.schema.from_raw import (
    FIRST_DATE,
    LAST_DATE,
    Physical,
    element_name,
    physical_number,
    show_raw,
)
from paramstore.schema.model import Field, Kind, Parameter
from paramstore.schema.numbers import float_numbers, nearest_raw, parse_quantity, same_unit

__all__ = ["ConvertedValue", "Loss", "ValueProblem", "check_limits", "decimal_of",
           "element_to_raw", "parameter_to_raw", "physical_to_raw", "refuse_fit", "refuse_limit",
           "refuse_type", "to_raw"]


class ValueProblem(ParamstoreError):
    """A value cannot be stored in its field.

    `kind`: type, unit, whole, finite, fit (the stored type is too narrow), limit (outside the
    limits), rising, member, length, text, date or count. `path` leads from the value to the
    guilty element: () for the value itself, (2,) for element 2, (2, 0) for x of curve point 2.
    `others` are further problems of the same value.
    """

    def __init__(
        self,
        kind: str,
        message: str,
        help: str = "",
        *,
        label: str = "",
        notes: tuple[str, ...] = (),
        path: tuple[int, ...] = (),
    ) -> None:
        super().__init__(message)
        self.kind, self.message, self.help = kind, message, help
        self.label, self.notes, self.path = label, notes, path
        self.others: tuple[ValueProblem, ...] = ()

    def as_problem(self, codes: Mapping[str, str]) -> Problem:
        """Return it with the code that its kind has in `codes`."""
        return Problem(codes[self.kind], self.message, self.help, self.notes, self.label, self.path)


class Loss(NamedTuple):
    """An element that storage rounds: reading it back shows `stored` instead of `wanted`."""

    path: tuple[int, ...]
    wanted: Decimal
    stored: Decimal

    @property
    def error(self) -> Decimal:
        """Stored minus wanted, in the unit of the field."""
        with localcontext(prec=40):
            return self.stored - self.wanted


class ConvertedValue(NamedTuple):
    """The raw elements of a whole field, and what rounding changed."""

    raws: tuple[Raw, ...]
    losses: tuple[Loss, ...] = ()


def to_raw(field: Field, value: Physical) -> tuple[Raw, ...]:
    """Return the `field.count` raw elements for `value`, limits checked.

    One value for an array fills all of its elements. ValueProblem if it cannot be stored.
    """
    converted = physical_to_raw(field, value)
    check_limits(field, *converted)
    return converted.raws


def physical_to_raw(field: Field, value: Physical) -> ConvertedValue:
    """Return the raw elements for `value` and the losses; the limits are not checked."""
    if field.kind is Kind.TEXT:
        return ConvertedValue(_text_to_raw(field, value))
    if field.kind is Kind.BYTES:
        return ConvertedValue(_bytes_to_raw(field, value))
    if not _holds_elements(field, value):
        raw, losses = element_to_raw(field, value, ())
        return ConvertedValue((raw,) * field.count, losses)
    if len(value) != field.count:
        raise ValueProblem(
            "count",
            f"`{field.name}` has {plural(field.count, 'element')}, but the array has {len(value)}",
            f"give {plural(field.count, 'value')}, or a single value for all of them",
        )
    pairs = [element_to_raw(field, element, (index,)) for index, element in enumerate(value)]
    return ConvertedValue(
        tuple(raw for raw, _ in pairs), tuple(loss for _, losses in pairs for loss in losses)
    )


def check_limits(field: Field, raws: Sequence[Raw], losses: Sequence[Loss] = ()) -> None:
    """Raise ValueProblem for the first element outside the limits or out of order. `losses` are
    what rounding to `raws` changed."""
    several = field.array or len(raws) > 1
    for index, raw in enumerate(raws):
        path = (index,) if several else ()
        if not field.limits.allow(raw):
            refuse_limit(field, raw, path, next(
                (loss for loss in losses if loss.path in ((), path)), None))
        if field.rising and index and not raws[index - 1] < raw:
            raise ValueProblem(
                "rising",
                f"`{field.name}` must rise: {show_raw(field, raw)} follows "
                f"{show_raw(field, raws[index - 1])}",
                "sort the points, and give each value once",
                notes=(f"stored values are {show_number(field.scale)} apart",) if field.scaled
                else (),
                path=path,
            )


def parameter_to_raw(parameter: Parameter, value: Physical) -> dict[str, ConvertedValue]:
    """Return the raw elements of each field by name, limits checked.

    A curve takes [[x, y], ...], every other parameter what `to_raw` takes. ValueProblem if it
    cannot be stored.
    """
    if parameter.kind is not Kind.CURVE:
        (field,) = parameter.fields
        conversion = physical_to_raw(field, value)
        check_limits(field, *conversion)
        return {field.name: conversion}
    _check_points(parameter, value)
    result, problems = {}, []
    for axis, field in enumerate(parameter.fields):
        try:
            conversion = physical_to_raw(field, [point[axis] for point in value])
            check_limits(field, *conversion)
        except ValueProblem as problem:
            problem.path = (*problem.path, axis)
            problems.append(problem)
            continue
        losses = tuple(Loss((*s.path, axis), s.wanted, s.stored) for s in conversion.losses)
        result[field.name] = ConvertedValue(conversion.raws, losses)
    if problems:
        problems[0].others = tuple(problems[1:])
        raise problems[0]
    return result


def _holds_elements(field: Field, value: Physical) -> bool:
    several = field.array or field.kind is Kind.CURVE
    if not several or not isinstance(value, list):
        return False
    return field.kind is not Kind.FLAGS or not all(isinstance(v, str) for v in value)


def _text_to_raw(field: Field, value: Physical) -> tuple[Raw, ...]:
    if not isinstance(value, str):
        refuse_type(field, value, (), "a text", '`"tank 4"`')
    try:
        data = value.encode()
    except UnicodeEncodeError as error:
        raise ValueProblem(
            "text", f"`{field.name}` holds half a character, U+{ord(value[error.start]):04X}"
        ) from error
    if b"\0" in data:
        raise ValueProblem(
            "text",
            f"`{field.name}` holds the character U+0000",
            "leave it out: texts are filled up with zero bytes, and end at the first one",
        )
    if len(data) > field.count:
        raise ValueProblem(
            "length",
            f"the text takes {plural(len(data), 'byte')}, `{field.name}` has {field.count}",
            "shorten the text, or give the parameter a larger `size`",
            notes=("characters beyond ASCII take 2 to 4 bytes",) if not value.isascii() else (),
        )
    return tuple(data.ljust(field.count, b"\0"))


def _bytes_to_raw(field: Field, value: Physical) -> tuple[Raw, ...]:
    if not isinstance(value, str):
        refuse_type(field, value, (), "a text of hexadecimal bytes", '`"00 1A FF"`')
    try:
        data = bytes.fromhex(value.replace(":", " "))
    except ValueError as error:
        raise ValueProblem(
            "text",
            f"`{field.name}` is not a text of hexadecimal bytes",
            'give two digits for each byte and no `0x`, as in "00 1A FF"',
        ) from error
    if len(data) != field.count:
        raise ValueProblem(
            "length",
            f"`{field.name}` has {plural(field.count, 'byte')}, but {_given(len(data))}",
            f"give {plural(field.count, 'byte')}, or change `size`",
        )
    return tuple(data)


def _given(count: int) -> str:
    return f"{count} {'is' if count == 1 else 'are'} given"


def _check_points(parameter: Parameter, value: Physical) -> None:
    points = parameter.first.count
    if not isinstance(value, list):
        raise ValueProblem(
            "type",
            f"`{parameter.name}` must be an array of points, not {type_of(value)}",
            "write it like `[[0, 1.5], [100, 2.5]]`",
        )
    for index, point in enumerate(value):
        if not isinstance(point, list) or len(point) != len(parameter.fields):
            raise ValueProblem(
                "type",
                f"the {ordinal(index + 1)} point of `{parameter.name}` is not a pair `[x, y]`",
                "write it like `[100, 2.5]`",
                path=(index,),
            )
    if len(value) != points:
        raise ValueProblem(
            "count",
            f"`{parameter.name}` has {plural(points, 'point')}, but {_given(len(value))}",
            f"give {plural(points, 'point')}",
        )


def element_to_raw(
    field: Field, value: Physical, path: tuple[int, ...]
) -> tuple[Raw, tuple[Loss, ...]]:
    """Return the raw element for `value`, limits not checked, and what rounding changed."""
    match field.kind:
        case Kind.BOOL:
            if not isinstance(value, bool):
                refuse_type(field, value, path, "true or false", "`true` or `false`")
            return int(value), ()
        case Kind.ENUM:
            return _member(field, value, path), ()
        case Kind.FLAGS:
            if not isinstance(value, list):
                example = f'`["{field.members[0][0]}"]`'
                refuse_type(field, value, path, "an array of names", example)
            bits = [_member(field, name, (*path, i)) for i, name in enumerate(value)]
            for index, bit in enumerate(bits):
                if bit in bits[:index]:
                    raise ValueProblem("member", f"`{field.name}` has `{value[index]}` twice",
                                       "give each flag once", path=(*path, index))
            return sum(1 << bit for bit in bits), ()
        case Kind.DATE:
            return _date(field, value, path), ()
        case _:
            return _number(field, value, path)


def _number(
    field: Field, value: Physical, path: tuple[int, ...]
) -> tuple[Raw, tuple[Loss, ...]]:
    wanted = decimal_of(field, value, path)
    raw = nearest_raw(field.scalar, wanted, field.scale, field.offset)
    if raw is None:
        refuse_fit(field, wanted, path)
    stored = physical_number(field, raw)
    if stored == wanted or (isinstance(raw, float) and wanted in float_numbers(field.scalar, raw)):
        return raw, ()
    if field.kind is not Kind.FLOAT and not field.scaled and isinstance(raw, int):
        raise ValueProblem(
            "whole",
            f"`{element_name(field, path)}` is a whole number ({field.scalar.name}), "
            f"not {show_number(wanted)}",
            f"write {raw}, or store it with a `scale`, or as `f32`",
            path=path,
        )
    return raw, (Loss(path, wanted, stored),)


def decimal_of(field: Field, value: Physical, path: tuple[int, ...]) -> Decimal:
    """Return a finite number that may carry the unit of its field; ValueProblem if it is none."""
    if isinstance(value, str):
        return _with_unit(field, value, path)
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        example = "`12`" if field.kind is Kind.INTEGER and not field.scaled else "`12.5`"
        refuse_type(field, value, path, "a number", example)
    number = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
    if not number.is_finite():
        shown = f"`{element_name(field, path)}` cannot be {show_number(number)}"
        raise ValueProblem("finite", shown, "give a finite number", path=path)
    return number


def _with_unit(field: Field, text: str, path: tuple[int, ...]) -> Decimal:
    quantity = parse_quantity(text)
    if quantity is None:
        refuse_type(field, text, path, "a number", "`12.5`, without quotes")
    number, unit = quantity
    if unit and same_unit(unit, field.unit):
        return number
    if re.match(r",\d", unit):
        raise ValueProblem(
            "unit", f"`{element_name(field, path)}` is written with a decimal comma",
            f"write `{text.replace(',', '.', 1).strip()}`", notes=("decimals have a point",),
            path=path)
    name, plain = element_name(field, path), show_number(number)
    if not unit:
        help = f"write {plain} without quotes"
        if field.unit:
            help += f', or "{plain} {field.unit}"'
        raise ValueProblem("unit", f"`{name}` is a text without a unit", help, path=path)
    has = f"its unit is `{field.unit}`" if field.unit else "it has no unit"
    raise ValueProblem(
        "unit",
        f"`{name}` is given in `{unit}`, but {has}",
        f"convert the value to `{field.unit}`, and write that unit or none" if field.unit
        else "give the value without a unit",
        notes=("units are compared as they are spelled, nothing is converted",),
        path=path,
    )


def _member(field: Field, value: Physical, path: tuple[int, ...]) -> int:
    names = [name for name, _ in field.members]
    if not isinstance(value, str):
        refuse_type(field, value, path, "the name of a member", f'`"{names[0]}"`')
    for name, number in field.members:
        if name == value:
            return number
    raise ValueProblem(
        "member",
        f"`{field.name}` has no member `{value}`",
        did_you_mean(value, names, f"the members of `{field.name}`"),
        path=path,
    )


def _date(field: Field, value: Physical, path: tuple[int, ...]) -> int:
    if not isinstance(value, date) or isinstance(value, datetime):
        refuse_type(field, value, path, "a date", "`2026-01-31`, without quotes or a time")
    if not FIRST_DATE <= value <= LAST_DATE:
        raise ValueProblem(
            "date",
            f"`{element_name(field, path)}` = {value} is no date that can be stored",
            f"give a date from {FIRST_DATE} to {LAST_DATE}",
            notes=("a date is stored in 16 bits as days since 2000-01-01",),
            path=path,
        )
    return (value - FIRST_DATE).days


def refuse_type(
    field: Field, value: Physical, path: tuple[int, ...], wanted: str, example: str
) -> NoReturn:
    """Raise the ValueProblem for a value of the wrong type."""
    raise ValueProblem(
        "type",
        f"`{element_name(field, path)}` must be {wanted}, not {type_of(value)}",
        f"write it like {example}" if not isinstance(value, list) or field.kind is Kind.FLAGS
        else "give one value; only a parameter with a `count` takes an array",
        path=path,
    )


def refuse_fit(field: Field, wanted: Decimal, path: tuple[int, ...]) -> NoReturn:
    """Raise the ValueProblem for a number beyond the stored type."""
    scalar = field.scalar
    low, high = sorted(physical_number(field, end) for end in (scalar.minimum, scalar.maximum))
    unit = f" {field.unit}" if field.unit else ""
    name, wider = element_name(field, path), _wider_type(field, wanted)
    raise ValueProblem(
        "fit",
        f"`{name}` = {show_number(wanted)}{unit} does not fit in {scalar.name}",
        f"use `{wider}`, or another value" if wider else "give another value",
        notes=(
            f"{scalar.name} holds {show_number(low)} to {show_number(high)}{unit}"
            + (f" with this scale ({show_number(field.scale)}{unit} for each step)"
               if field.scaled else ""),
        ),
        path=path,
    )


def _wider_type(field: Field, wanted: Decimal) -> str:
    """Return the next wider type that holds the value and all that the present one does, or ""."""
    scalar = field.scalar
    if scalar.form is ScalarForm.FLOAT:
        wider = (SCALARS[n] for n in ("f32", "f64") if SCALARS[n].size > scalar.size)
        return next((s.name for s in wider if nearest_raw(s, wanted) is not None), "")
    return next(
        (
            s.name for s in sorted(SCALARS.values(), key=lambda s: s.size)
            if s.form is not ScalarForm.FLOAT
            and s.minimum <= scalar.minimum and scalar.maximum <= s.maximum
            and nearest_raw(s, wanted, field.scale, field.offset) is not None
        ),
        "",
    )


def refuse_limit(field: Field, raw: Raw, path: tuple[int, ...],
                 loss: Loss | None = None) -> NoReturn:
    """Raise the ValueProblem for an element outside the limits, which rounding may have moved
    there."""
    shown = f"`{element_name(field, path)}` = {show_raw(field, raw)}"
    if loss is not None:
        unit = f" {field.unit}" if field.unit else ""
        shown = (f"`{element_name(field, path)}` = {show_number(loss.wanted)}{unit}, stored as "
                 f"{show_raw(field, raw)},")
    if field.kind is Kind.BOOL:
        raise ValueProblem("limit", f"`{element_name(field, path)}` is stored as {raw}, which is "
                           "neither true nor false", "give true or false", path=path)
    if len(field.limits.ranges) != 1 or field.kind is Kind.ENUM:
        raise ValueProblem("limit", f"{shown} is not allowed", path=path)
    bounds = field.limits.ranges[0]
    if isinstance(raw, float) and isnan(raw):  # erased bytes are one: neither above nor below
        shown = f"{shown} is no number"
        raise ValueProblem("limit", shown, "give a number", path=path)
    low, high = sorted(bounds, key=lambda bound: physical_number(field, bound))
    below = physical_number(field, raw) < physical_number(field, low)
    side = f"below its minimum {show_raw(field, low)}" if below else (
        f"above its maximum {show_raw(field, high)}")
    # A limit of 3.4e38 that nobody wrote would only confuse.
    float_end = field.scalar.form is ScalarForm.FLOAT and {low, high} & {
        field.scalar.minimum, field.scalar.maximum}
    bounds_shown = f"a value from {show_raw(field, low)} to {show_raw(field, high)}"
    one_shown = f"{show_raw(field, low)} or more" if below else f"{show_raw(field, high)} or less"
    raise ValueProblem(
        "limit",
        f"{shown} is {side}",
        f"give {one_shown if float_end else bounds_shown}",
        path=path,
    )
