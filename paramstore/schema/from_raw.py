"""From raw values to physical ones, and to words.

A raw value is an element of a field as stored (see `Field`). A physical value is what stands in
TOML: bool, int, Decimal, str, list, date. All arithmetic is exact. The other way is `to_raw`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from decimal import Decimal, localcontext
from typing import Any

from paramstore.core.scalars import GroupRaws, Raw, ScalarForm
from paramstore.core.text import quoted
from paramstore.core.words import show_number
from paramstore.schema.model import Field, Kind, Parameter
from paramstore.schema.numbers import physical, shortest_float

__all__ = ["FIRST_DATE", "LAST_DATE", "Physical", "boundless", "element_from_raw", "element_name",
           "format_value", "from_raw", "parameter_from_raw", "physical_number", "show_element",
           "show_range", "show_raw"]

FIRST_DATE = date(2000, 1, 1)

LAST_DATE = FIRST_DATE + timedelta(days=0xFFFF)

Physical = Any
"""A value as TOML gives it: bool, int, Decimal, float, str, date, or a list of these."""


def from_raw(field: Field, raws: Sequence[Raw]) -> Physical:
    """Return the value as `to_raw` takes it; a list for arrays and curve axes.

    Whole numbers give int, scaled ones Decimal (exact), f32 the float with the fewest digits
    that rounds to it. Raw values that no value stands for, as a damaged record may hold, still
    give something to show: an int for an enum, bit numbers among flags, U+FFFD in a text.
    """
    if field.kind is Kind.TEXT:
        return bytes(int(r) for r in raws).split(b"\0")[0].decode("utf-8", "replace")
    if field.kind is Kind.BYTES:
        return bytes(int(r) for r in raws).hex(" ").upper()
    values = [element_from_raw(field, raw) for raw in raws]
    return values if field.array or field.kind is Kind.CURVE else values[0]


def parameter_from_raw(parameter: Parameter, raws: GroupRaws) -> Physical:
    """Return the value of a whole parameter from the raw elements of its fields by name."""
    values = [from_raw(field, raws[field.name]) for field in parameter.fields]
    return [list(point) for point in zip(*values, strict=True)] if len(values) > 1 else values[0]


def element_from_raw(field: Field, raw: Raw) -> Physical:
    """Return the value of one element; see `from_raw`."""
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


def format_value(field: Field, raws: Sequence[Raw]) -> str:
    """Return the value for people: `digits` decimals, with the unit, arrays in brackets."""
    if field.kind is Kind.TEXT:
        return quoted(str(from_raw(field, raws)))
    if field.kind is Kind.BYTES:
        return str(from_raw(field, raws))
    shown = [show_element(field, raw, field.digits) for raw in raws]
    text = f"[{', '.join(shown)}]" if field.array or field.kind is Kind.CURVE else shown[0]
    return f"{text} {field.unit}" if field.unit else text


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


def _show_digits(number: Decimal, digits: int | None) -> str:
    if digits is None or not number.is_finite() or number.adjusted() > 20:
        return show_number(number)
    with localcontext(prec=400):
        return f"{number:.{digits}f}"


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


def physical_number(field: Field, raw: Raw) -> Decimal:
    """Return the number that `raw` stands for: exact, or the fewest digits that round to it."""
    return physical(field.scalar, raw, field.scale, field.offset)


def element_name(field: Field, path: Iterable[int]) -> str:
    """Return the name of an element: `gains[2]`."""
    return field.name + "".join(f"[{i}]" for i in path)
