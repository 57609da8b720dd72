"""Words that several reports share: which values a field may have, what becomes of a group without
values, and the caution beside everything that may end up in a part.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from paramstore.core.scalars import ScalarForm
from paramstore.core.words import plural
from paramstore.schema.from_raw import physical_number, show_element
from paramstore.schema.model import Field, Kind

__all__ = ["CAUTION", "LONG_LIFE_YEARS", "SERVED_DEFAULTS", "allowed_text", "in_part_lines",
           "without_lines"]

LONG_LIFE_YEARS = 1000
"""Beyond this a life is only said to be longer: nothing else of a module lasts that long."""
CAUTION = """\
caution: wrong values can make a module heat, dose, move or switch what it should not. Check each
unit with its loads disconnected, from a current-limited supply; README.md, Cautions, has more."""

_MOST_MEMBERS = 12


def allowed_text(field: Field, most: int = _MOST_MEMBERS) -> str:
    """Return which values a field may have, with its unit; so many members, and how many more."""
    match field.kind:
        case Kind.BOOL:
            return "false or true"
        case Kind.TEXT:
            return f"up to {plural(field.count, 'byte')} of UTF-8"
        case Kind.BYTES:
            return plural(field.count, "byte")
        case Kind.ENUM | Kind.FLAGS:
            names = [name for name, _ in field.members]
            more = len(names) - most
            shown = ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
            return shown if field.kind is Kind.ENUM else f"any of {shown}"
        case _:
            return _range(field)


def _range(field: Field) -> str:
    ranges = field.limits.ranges or ((field.scalar.minimum, field.scalar.maximum),)
    unit = f" {field.unit}" if field.unit else ""
    texts = []
    for bounds in ranges:
        low, high = sorted(bounds, key=lambda raw: physical_number(field, raw))
        whole = field.scalar.form is ScalarForm.FLOAT
        open_low = whole and low == field.scalar.minimum
        open_high = whole and high == field.scalar.maximum
        if open_low and open_high:
            texts.append("any number")
        elif open_low or open_high:
            end = show_element(field, high if open_low else low)
            texts.append(f"{end} or {'less' if open_low else 'more'}")
        else:
            texts.append(f"{show_element(field, low)} to {show_element(field, high)}")
    rising = "; rising" if field.rising else ""
    return " or ".join(texts) + unit + rising


# ---- Groups without values ----------------------------------------------------------------------

SERVED_DEFAULTS = "the firmware serves defaults and says so"


def without_lines(groups: Iterable[str], defaults: bool = False, units: str = "") -> list[str]:
    """Return a line for each group that got no value; with `defaults` they got records of these.
    `units` says of which units, if not of all."""
    became = ("its defaults are written as a record" if defaults
              else f"left without a record, {SERVED_DEFAULTS}")
    return [f"{name}: no values given{units}; {became}" for name in groups]


def in_part_lines(parameters: Mapping[str, Iterable[str]], units: str = "") -> list[str]:
    """Return a line for each group that got only some of its values: those that it did not get."""
    return [f"{group}: {', '.join(names)}: no values given{units}; the record holds their defaults"
            for group, names in parameters.items()]
