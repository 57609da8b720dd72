"""Between what a person writes and what lies on the EEPROM: physical values and raw ones.

A physical value is what stands in TOML: bool, int, Decimal, str, list, date. A raw value is an
element of a field as stored (see `Field`). All arithmetic is exact up to the one rounding to the
stored type, half to even. Knows fields and limits; knows no TOML places: a `ValueProblem` says
which element is meant, and its catcher where that stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from paramstore.core.scalars import GroupRaws, Raw
from paramstore.core.text import quoted
from paramstore.core.words import ordinal, plural, show_number, type_of
from paramstore.schema.element import (
    FIRST_DATE,
    LAST_DATE,
    Loss,
    Physical,
    ValueProblem,
    boundless,
    element_from_raw,
    element_to_raw,
    physical_number,
    refuse_limit,
    refuse_type,
    show_element,
    show_range,
    show_raw,
)
from paramstore.schema.model import Field, Kind, Parameter

__all__ = [
    "FIRST_DATE",
    "LAST_DATE",
    "ConvertedValue",
    "Loss",
    "Physical",
    "ValueProblem",
    "boundless",
    "check_limits",
    "convert",
    "format_value",
    "from_raw",
    "parameter_from_raw",
    "parameter_to_raw",
    "physical_number",
    "show_range",
    "show_raw",
    "to_raw",
]


class ConvertedValue(NamedTuple):
    """The raw elements of a whole field, and what rounding changed."""

    raws: tuple[Raw, ...]
    losses: tuple[Loss, ...] = ()


# ---- Whole fields and parameters ----------------------------------------------------------------


def to_raw(field: Field, value: Physical) -> tuple[Raw, ...]:
    """Return the `field.count` raw elements for `value`, limits checked.

    One value for an array fills all of its elements. ValueProblem if it cannot be stored.
    """
    converted = convert(field, value)
    check_limits(field, *converted)
    return converted.raws


def convert(field: Field, value: Physical) -> ConvertedValue:
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


def parameter_to_raw(parameter: Parameter, value: Physical) -> dict[str, ConvertedValue]:
    """Return the raw elements of each field by name, limits checked.

    A curve takes [[x, y], ...], every other parameter what `to_raw` takes. ValueProblem if it
    cannot be stored.
    """
    if parameter.kind is not Kind.CURVE:
        (field,) = parameter.fields
        conversion = convert(field, value)
        check_limits(field, *conversion)
        return {field.name: conversion}
    _check_points(parameter, value)
    result, problems = {}, []
    for axis, field in enumerate(parameter.fields):
        try:
            conversion = convert(field, [point[axis] for point in value])
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


def parameter_from_raw(parameter: Parameter, raws: GroupRaws) -> Physical:
    """Return the value of a whole parameter from the raw elements of its fields by name."""
    values = [from_raw(field, raws[field.name]) for field in parameter.fields]
    return [list(point) for point in zip(*values, strict=True)] if len(values) > 1 else values[0]


def format_value(field: Field, raws: Sequence[Raw]) -> str:
    """Return the value for people: `digits` decimals, with the unit, arrays in brackets."""
    if field.kind is Kind.TEXT:
        return quoted(str(from_raw(field, raws)))
    if field.kind is Kind.BYTES:
        return str(from_raw(field, raws))
    shown = [show_element(field, raw, field.digits) for raw in raws]
    text = f"[{', '.join(shown)}]" if field.array or field.kind is Kind.CURVE else shown[0]
    return f"{text} {field.unit}" if field.unit else text


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
    points = parameter.fields[0].count
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
