"""What comments in generated C say about groups and parameters, and the limits worth saying.

Words only: `spelling` makes them safe and breaks them into lines.
"""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.core.scalars import Raw
from paramstore.schema.from_raw import format_value, show_raw
from paramstore.schema.model import Field, Group, Kind, Parameter

__all__ = ["NUMBERS", "group_words", "narrowed", "parameter_words", "physical_words", "range_text"]

NUMBERS = (Kind.INTEGER, Kind.FLOAT, Kind.DATE)
"""Kinds with a lowest and a highest value."""


def group_words(group: Group) -> Iterator[str]:
    """Yield the paragraphs of the comment above a group."""
    yield f"{group.name}: {group.doc}" if group.doc else group.name
    if group.role.protected:
        yield f"Role {group.role}: ps_unlock it before a change."


def parameter_words(parameter: Parameter) -> Iterator[str]:
    """Yield the paragraphs of the comment above the member of a parameter."""
    yield parameter.doc
    for field in parameter.fields:
        prefix = f"{field.name.rpartition('.')[2]}: " if parameter.kind is Kind.CURVE else ""
        yield prefix + "; ".join(_field_words(field))
    if parameter.below:
        yield f"Must stay below {parameter.below}."


def _field_words(field: Field) -> Iterator[str]:
    match field.kind:
        case Kind.TEXT:
            yield f"UTF-8, at most {field.count} bytes and a closing 0"
        case Kind.ENUM:
            yield "one of " + ", ".join(name for name, _ in field.members)
        case Kind.FLAGS:
            yield "flags " + ", ".join(name for name, _ in field.members)
        case Kind.DATE:
            yield "days since 2000-01-01"
    if field.scaled:
        sign = "-" if field.offset < 0 else "+"
        shift = f" {sign} {abs(field.offset):f}" if field.offset else ""
        yield f"raw x {field.scale:f}{shift}" + (f" = {field.unit}" if field.unit else "")
    if limits := narrowed(field):
        yield range_text(field, *limits)
    if field.rising:
        yield "rising"
    yield f"default {format_value(field, field.default)}"


def range_text(field: Field, low: Raw, high: Raw) -> str:
    """A range with its unit once, such as "-8 .. 2 degC"."""
    if field.scale < 0:
        low, high = high, low
    end = show_raw(field, high)
    return end if low == high else f"{show_raw(field, low).removesuffix(f' {field.unit}')} .. {end}"


def narrowed(field: Field) -> tuple[Raw, Raw] | tuple[()]:
    """Lowest and highest value of a number; () where the stored type is the only limit."""
    whole = ((field.scalar.minimum, field.scalar.maximum),)
    number = field.kind in (*NUMBERS, Kind.CURVE)
    ranges = field.limits.ranges
    return ranges[0] if number and len(ranges) == 1 and ranges != whole else ()


def physical_words(field: Field, raw: Raw) -> str:
    """The physical value, where the constant beside it does not show it."""
    return show_raw(field, raw) if field.scaled or field.kind is Kind.DATE else ""
