"""The limits of a parameter: `min` and `max` in physical values to ranges of raw ones."""

from __future__ import annotations

import math
from dataclasses import replace

from paramstore.core.errors import Severity
from paramstore.core.scalars import Raw, ScalarForm
from paramstore.core.words import show_number
from paramstore.located.validator import CheckedTable
from paramstore.schema.from_raw import physical_number, show_raw
from paramstore.schema.model import Field, Kind, ValueLimits
from paramstore.schema.numbers import exact_steps
from paramstore.schema.to_raw import Loss, ValueProblem, decimal_of, element_to_raw, refuse_fit

__all__ = ["grid_note", "limited", "refuse_value"]

_CODES = {
    "type": "PS106", "fit": "PS204", "limit": "PS205", "member": "PS213", "text": "PS214",
    "length": "PS214", "whole": "PS215", "finite": "PS215", "date": "PS216", "count": "PS217",
    "rising": "PS218", "unit": "PS224",
}  # fmt: skip
"""The code of a value in a schema that cannot be stored, by the kind of its problem."""


def refuse_value(table: CheckedTable, key: str, problem: ValueProblem) -> None:
    """Add the findings for the value of a key that cannot be stored."""
    for each in (problem, *problem.others):
        table.validator.add_problem(each.as_problem(_CODES), (*table.path, key))


def limited(table: CheckedTable, field: Field) -> Field:
    """Return the field with the limits of `min` and `max`; without them if they are not sound."""
    bounds: dict[str, Raw | None] = {
        key: _bound(table, field, key) for key in ("min", "max") if key in table.values
    }
    # With a negative scale the smallest physical value is the greatest raw one.
    low_key, high_key = ("max", "min") if field.scale < 0 else ("min", "max")
    low = bounds.get(low_key, field.scalar.minimum)
    high = bounds.get(high_key, field.scalar.maximum)
    if low is None or high is None or table.spoilt & {"min", "max"}:
        return field
    if low > high:
        _refuse_empty(table, field)
        return field
    whole = (low, high) == (field.scalar.minimum, field.scalar.maximum)
    if whole and field.scalar.form is not ScalarForm.FLOAT:
        return field
    return replace(field, limits=ValueLimits(((low, high),)))


def _bound(table: CheckedTable, field: Field, key: str) -> Raw | None:
    """Return the raw value of a limit, rounded inwards for integers, with a warning if so."""
    named = replace(field, name=key)
    value = table.get(key)
    try:
        if field.kind is Kind.DATE or field.scalar.form is ScalarForm.FLOAT:
            raw, losses = element_to_raw(named, value, ())
        else:
            raw, losses = _inwards(named, value, up=(key == "min") == (field.scale > 0))
    except ValueProblem as problem:
        refuse_value(table, key, problem)
        return None
    for loss in losses:
        unit = f" {field.unit}" if field.unit else ""
        table.add(
            "PS208",
            f"`{key}` = {show_number(loss.wanted)}{unit} lies between two stored values",
            table.span(key),
            label=f"{show_raw(field, raw)} is used",
            notes=(grid_note(field),),
            help=f"write {show_number(loss.stored)}",
            severity=Severity.WARNING,
        )
    return raw


def _inwards(field: Field, value: object, *, up: bool) -> tuple[int, tuple[Loss, ...]]:
    wanted = decimal_of(field, value, ())
    steps = exact_steps(wanted, field.scale, field.offset)
    raw = math.ceil(steps) if up else math.floor(steps)
    if not field.scalar.minimum <= raw <= field.scalar.maximum:
        refuse_fit(field, wanted, ())
    exact = steps == raw
    return raw, () if exact else (Loss((), wanted, physical_number(field, raw)),)


_DIGITS = {2: 3, 4: 7, 8: 16}
"""Decimal digits that a float keeps, by its bytes."""


def grid_note(field: Field) -> str:
    """Return how far stored values are apart, for a note."""
    if field.scalar.form is ScalarForm.FLOAT:
        return f"{field.scalar.name} keeps about {_DIGITS[field.scalar.size]} digits"
    unit = f" {field.unit}" if field.unit else ""
    return f"stored values are {show_number(field.scale)}{unit} apart"


def _refuse_empty(table: CheckedTable, field: Field) -> None:
    """Tell that no value lies within the limits: the wrong way round, or between two steps."""
    low, high = (
        decimal_of(field, table.get(k), ()) if field.kind is not Kind.DATE else table.get(k)
        for k in ("min", "max")
    )
    code, message, note = "PS203", "`min` is above `max`", ""
    help = "exchange the two, or mend the wrong one"
    if low <= high:
        code, message, note = "PS223", "no stored value lies from `min` to `max`", grid_note(field)
        help = "widen the limits, or make `scale` smaller"
    table.add(
        code, message, table.span("min"), label="the smallest value",
        also=((table.span("max"), "the largest value"),), notes=(note,), help=help,
    )
