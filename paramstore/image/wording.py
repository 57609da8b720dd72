"""Words for values that break the schema, the same wherever they were found.

Knows the model and quantities. Must not know where a value stands.
"""

from __future__ import annotations

from collections.abc import Sequence

from paramstore.core.scalars import GroupRaws, Raw
from paramstore.core.words import code_list
from paramstore.schema.bits import NoValue
from paramstore.schema.breaches import Breach, BreachKind, Reset
from paramstore.schema.from_raw import element_name, format_value, show_element, show_raw
from paramstore.schema.model import AnyGroup, Field, Kind
from paramstore.schema.to_raw import ValueProblem, refuse_limit

__all__ = ["BLANK", "absent_text", "breach_help", "breach_text", "elements_text", "reset_note",
           "unread_text"]

BLANK = "blank, never written or erased"
"""What is said of a ring that is FF throughout: its bytes do not tell which of the two it is."""


def elements_text(field: Field, elements: Sequence[Raw | NoValue | None]) -> str:
    """Return elements for people as `format_value` does; of those that are none what is stored, and
    `none` for those without a value."""
    if field.kind in (Kind.TEXT, Kind.BYTES):
        return format_value(field, [e for e in elements if isinstance(e, int)])
    shown = ["none" if e is None else e.text if isinstance(e, NoValue) else
             show_element(field, e, field.digits) for e in elements]
    text = f"[{', '.join(shown)}]" if field.array else shown[0]
    bare = all(e is None or isinstance(e, NoValue) for e in elements)
    return f"{text} {field.unit}" if field.unit and not bare else text


def breach_text(breach: Breach, group: AnyGroup, values: GroupRaws) -> str:
    """Return what is broken, with the values in their units."""
    field, raws = breach.field, values[breach.field.name]
    here = show_raw(field, raws[breach.element])
    match breach.kind:
        case BreachKind.LIMIT:
            return _limit(breach, raws).message
        case BreachKind.RISING:
            before = show_raw(field, raws[breach.element - 1])
            return f"`{field.name}` must rise: {here} follows {before}"
        case BreachKind.BELOW:
            other = group.parameter(breach.parameter.below or "").first
            there = show_raw(other, values[other.name][breach.element])
            names = [element_name(f, _path(breach)) for f in (field, other)]
            return f"`{names[0]}` = {here} must be below `{names[1]}` = {there}"
        case BreachKind.TEXT:
            return f"`{field.name}` does not hold UTF-8 text"


def reset_note(reset: Reset) -> str:
    """Return what firmware serves in place of what is broken."""
    defaults = "the default" if len(reset.parameters) == 1 else "the defaults"
    return f"firmware serves {defaults} of {code_list(p.name for p in reset.parameters)}"


def breach_help(breach: Breach, values: GroupRaws) -> str:
    """Return how to mend a broken value in a values file; "" if the text says it."""
    if breach.kind is BreachKind.LIMIT:
        return _limit(breach, values[breach.field.name]).help
    if breach.kind is BreachKind.BELOW:
        return f"lower `{breach.parameter.name}`, or raise `{breach.parameter.below}`"
    return ""


def _limit(breach: Breach, raws: tuple[Raw, ...]) -> ValueProblem:
    try:
        refuse_limit(breach.field, raws[breach.element], _path(breach))
    except ValueProblem as problem:
        return problem


def _path(breach: Breach) -> tuple[int, ...]:
    several = breach.field.array or breach.field.kind is Kind.CURVE
    return (breach.element,) if several else ()


def absent_text(what: str) -> str:
    """Return what is said of bytes that are not there; `what` was read, a dump or a part."""
    return "not in the dump" if what == "dump" else "not read"


def unread_text(what: str) -> str:
    """Return what is said of a group whose record may be among bytes that are not there."""
    return ("no slot in the dump holds a whole record, and the dump does not have all of them"
            if what == "dump" else
            "no slot that was read holds a whole record, and not all of them were read")
