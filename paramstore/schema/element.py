"""One element of a field, from what a person writes to its raw value and back to words.

`quantity` builds whole fields and parameters from these; others import that module.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from decimal import Decimal, localcontext
from math import isnan
from typing import Any, NamedTuple, NoReturn

from paramstore.core.errors import ParamstoreError
from paramstore.core.scalars import SCALARS, Raw, ScalarForm
from paramstore.core.words import did_you_mean, show_number, type_of
from paramstore.located.keys import Problem
from paramstore.schema.model import Field, Kind
from paramstore.schema.numbers import (
    float_numbers,
    nearest_raw,
    parse_quantity,
    physical,
    shortest_float,
)

__all__ = [
    "FIRST_DATE",
    "LAST_DATE",
    "Loss",
    "Physical",
    "ValueProblem",
    "boundless",
    "decimal_of",
    "element_from_raw",
    "element_name",
    "element_to_raw",
    "physical_number",
    "refuse_fit",
    "refuse_limit",
    "refuse_type",
    "same_unit",
    "show_element",
    "show_range",
    "show_raw",
]

Physical = Any
"""A value as TOML gives it: bool, int, Decimal, float, str, date, or a list of these."""

FIRST_DATE = date(2000, 1, 1)
LAST_DATE = FIRST_DATE + timedelta(days=0xFFFF)


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


def same_unit(one: str, other: str) -> bool:
    """Return whether two units are spelled alike, blanks aside; some signs (micro, ohm, degree)
    have two code points, which are one to a reader."""
    plain, wanted = (unicodedata.normalize("NFKC", "".join(u.split())) for u in (one, other))
    return plain == wanted


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


def element_from_raw(field: Field, raw: Raw) -> Physical:
    """Return the value of one element; see `quantity.from_raw`."""
    match field.kind:
        case Kind.BOOL:
            return bool(raw)
        case Kind.ENUM:
            return next((name for name, number in field.members if number == raw), raw)
        case Kind.FLAGS:
            bits = [bit for bit in range(8 * field.scalar.size) if int(raw) >> bit & 1]
            names = {bit: name for name, bit in field.members}
            return [names.get(bit, bit) for bit in bits]
        case Kind.DATE:
            return FIRST_DATE + timedelta(days=int(raw))
    if isinstance(raw, float):
        return shortest_float(field.scalar, raw)
    return physical_number(field, raw) if field.scaled else raw


def show_element(field: Field, raw: Raw, digits: int | None = None) -> str:
    """Return one element for people, without its unit; numbers rounded to `digits` decimals."""
    value = element_from_raw(field, raw)
    match value:
        case bool():
            return "true" if value else "false"
        case list():
            return " + ".join(f"bit {v}" if isinstance(v, int) else v for v in value) or "none"
        case int() if field.kind is Kind.ENUM:
            return f"number {value}"
        case int() | float() | Decimal():
            return _show_digits(physical_number(field, raw), digits)
        case _:
            return str(value)


def show_raw(field: Field, raw: Raw) -> str:
    """Return one element for people, all digits, with its unit."""
    text = show_element(field, raw)
    return f"{text} {field.unit}" if field.unit else text


def show_range(field: Field) -> str:
    """Return the limits of a field for people, from the lowest value to the highest."""
    if boundless(field):
        return f"any finite {field.scalar.name}"
    ranges = field.limits.ranges or ((field.scalar.minimum, field.scalar.maximum),)
    low, high = sorted((ranges[0][0], ranges[-1][1]), reverse=field.scale < 0)
    return f"{show_element(field, low)} to {show_raw(field, high)}"


def boundless(field: Field) -> bool:
    """Return whether a field is a float that may have any finite value."""
    whole = ((field.scalar.minimum, field.scalar.maximum),)
    return field.scalar.form is ScalarForm.FLOAT and field.limits.ranges in ((), whole)


def _show_digits(number: Decimal, digits: int | None) -> str:
    if digits is None or not number.is_finite() or number.adjusted() > 20:
        return show_number(number)
    with localcontext(prec=400):
        return f"{number:.{digits}f}"


def physical_number(field: Field, raw: Raw) -> Decimal:
    """Return the number that `raw` stands for: exact, or the fewest digits that round to it."""
    return physical(field.scalar, raw, field.scale, field.offset)


# ---- Refusals -----------------------------------------------------------------------------------


def element_name(field: Field, path: Iterable[int]) -> str:
    """Return the name of an element: `gains[2]`."""
    return field.name + "".join(f"[{i}]" for i in path)


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


