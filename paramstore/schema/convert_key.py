"""`convert` of a parameter or an axis: how values of the release before become those of this one.

Reads the table and checks it by itself; whether it is needed is for `releases` to say.
"""

from __future__ import annotations

from decimal import Decimal

from paramstore.core.words import code_list, did_you_mean, show_number, type_of
from paramstore.located.validator import CheckedTable
from paramstore.schema.keys import CONVERT_KEYS
from paramstore.schema.model import Convert, Field

__all__ = ["read_convert"]

_LEAST, _MOST = Decimal("1e-30"), Decimal("1e30")


def read_convert(table: CheckedTable, field: Field) -> Convert | None:
    """Return what `convert` says; None if it is not there, or not sound, with a finding then."""
    if "convert" not in table.values:
        return None
    return _names(table, field) if field.members else _numbers(table)


def _numbers(table: CheckedTable) -> Convert | None:
    inner = table.inner("convert", CONVERT_KEYS, f"`convert` of {table.what}")
    if inner is None:
        return None
    given = {k: Decimal(inner.get(k, CONVERT_KEYS[k].default)) for k in CONVERT_KEYS}
    for key, value in given.items():
        usable = value.is_finite() and (not value or _LEAST <= abs(value) <= _MOST)
        if usable and (value or key == "offset"):
            continue
        inner.add(
            "PS207", f"`{key}` = {show_number(value)} is of no use", inner.span(key),
            notes=("new physical value = old physical value x `factor` / `divisor` + "
                   "`offset`",),
            help="give a number between 1e-30 and 1e30",
        )
        return None
    return Convert(given["factor"], given["offset"], given["divisor"])


def _names(table: CheckedTable, field: Field) -> Convert | None:
    """Read old names of members with their new ones."""
    members = [name for name, _ in field.members]
    pairs = []
    for old, new in table.get("convert").items():
        span = table.span("convert", old)
        if not isinstance(new, str):
            table.add("PS210", f"the new name of member `{old}` must be a text, "
                      f"not {type_of(new)}", span, help=f'write `{old} = "{members[0]}"`')
        elif new not in members:
            table.add("PS213", f"{table.what} has no member `{new}`", span,
                      notes=("`convert` gives old names of members and their new ones",),
                      help=did_you_mean(new, members) or f"the members are "
                      f"{code_list(members)}")
        elif old in members:
            table.add("PS211", f"`{old}` is still a member, and cannot become `{new}`",
                      table.key("convert", old),
                      help="give old names only")
        else:
            pairs.append((old, new))
    return Convert(names=tuple(pairs)) if len(pairs) == len(table.get("convert")) else None
