"""The members of enumerations and flag sets: names, numbers, and the stored type they need."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from paramstore.core.scalars import SCALARS, Scalar
from paramstore.core.words import code_list, type_of
from paramstore.located.validator import CheckedTable
from paramstore.schema.identifiers import member_problem
from paramstore.schema.keys import STORAGE
from paramstore.schema.model import Field, Kind, ValueLimits

__all__ = ["read_members"]


def read_members(table: CheckedTable, name: str, kind: Kind) -> Field | None:
    """Return the field of an enum or of flags without its default; None if it is not sound."""
    storage = _storage(table, kind)
    if "members" not in table.values:
        return None
    before = len(table.validator.findings)
    members = _listed(table) if isinstance(table.get("members"), list) else _numbered(table, kind)
    _check_names(table, members)
    if kind is Kind.FLAGS and "none" in members:
        table.add("PS108", "a flag cannot be called `none`", table.span("members"),
                  notes=("tables and reports write `none` where no flag is set",),
                  help="choose another name, such as `not_fitted`")
    if len(table.validator.findings) > before or "storage" in table.spoilt:
        return None
    scalar = _fitting(table, kind, members, storage)
    if scalar is None:
        return None
    numbers = [number for number, _ in members.values()]
    limits = ValueLimits(mask=sum(1 << n for n in numbers)) if kind is Kind.FLAGS else (
        ValueLimits(_runs(numbers)))
    pairs = tuple((member, number) for member, (number, _) in members.items())
    return Field(name, kind, scalar, 1, (), limits=limits, members=pairs)


_Members = dict[str, tuple[int, str | int]]
"""Member name -> its number, and the key or index under which it stands."""


def _storage(table: CheckedTable, kind: Kind) -> Scalar | None:
    name = table.get("storage")
    if name is None or name in STORAGE[kind]:
        return SCALARS[name] if name else None
    table.add("PS201", f"`{name}` cannot store {_what(kind)}", table.span("storage"),
              help=f"use {code_list(STORAGE[kind], 'or')}")
    table.spoil("storage")
    return None


def _what(kind: Kind) -> str:
    return "flags" if kind is Kind.FLAGS else "an enum"


def _listed(table: CheckedTable) -> _Members:
    """Number the members of an array from 0."""
    members: _Members = {}
    for index, name in enumerate(table.get("members")):
        span = table.span("members", index)
        if not isinstance(name, str):
            table.add("PS210", f"a member must be a name, not {type_of(name)}", span,
                      help='write `members = ["off", "on"]`')
        elif name in members:
            first = table.span("members", members[name][1])
            table.add("PS211", f"the member `{name}` is given twice", span, label="again here",
                      also=((first, "first here"),), help="take one of the two out")
        else:
            members[name] = (index, index)
    return members


def _numbered(table: CheckedTable, kind: Kind) -> _Members:
    """Read a table of names with numbers; a number may not be used twice."""
    members: _Members = {}
    owners: dict[int, str] = {}
    number_word = "bit" if kind is Kind.FLAGS else "number"
    for name, number in table.get("members").items():
        span = table.span("members", name)
        if not isinstance(number, int) or isinstance(number, bool):
            table.add("PS210", f"the {number_word} of member `{name}` must be a whole number, "
                      f"not {type_of(number)}", span, help=f"write `{name} = {len(members)}`")
        elif number in owners:
            first = table.span("members", owners[number])
            table.add("PS211", f"{number_word} {number} belongs to both `{owners[number]}` "
                      f"and `{name}`", span, label="again here",
                      also=((first, "first here"),), help=_free_number(table, number_word))
        else:
            owners[number] = name
            members[name] = (number, name)
    return members


def _free_number(table: CheckedTable, number_word: str) -> str:
    taken: set[Any] = {n for n in table.get("members").values() if isinstance(n, int)}
    free = next(n for n in range(len(taken) + 1) if n not in taken)
    return f"give one of them another {number_word}, such as {free}"


def _check_names(table: CheckedTable, members: _Members) -> None:
    if not table.get("members"):
        table.add("PS210", f"{table.what} has no members", table.span("members"),
                  help='write `members = ["off", "on"]`')
    for name, (_, place) in members.items():
        if problem := member_problem("member", name):
            at_key = not isinstance(place, int)
            table.validator.add_problem(problem._replace(at_key=at_key),
                                        (*table.path, "members", place))


def _fitting(table: CheckedTable, kind: Kind, members: _Members,
             storage: Scalar | None) -> Scalar | None:
    """Return the stored type: the given one, or the narrowest that holds every member."""
    candidates = [storage] if storage else [SCALARS[s] for s in STORAGE[kind]]
    widest = candidates[-1]
    top = 8 * widest.size - 1 if kind is Kind.FLAGS else int(widest.maximum)
    beyond = [m for m, (number, _) in members.items() if not 0 <= number <= top]
    for name in beyond:
        number, place = members[name]
        word = "bit" if kind is Kind.FLAGS else "number"
        table.add(
            "PS212", f"{word} {number} of member `{name}` does not fit in {widest.name}",
            table.span("members", place),
            notes=(f"{widest.name} has {word}s 0 to {top}",),
            help=_wider(kind, number, storage),
        )
    if beyond:
        return None
    highest = max(number for number, _ in members.values())
    needed = 1 << highest if kind is Kind.FLAGS else highest
    return next(s for s in candidates if needed <= s.maximum)


def _wider(kind: Kind, number: int, storage: Scalar | None) -> str:
    needed = 1 << number if kind is Kind.FLAGS and 0 <= number < 64 else number
    fitting = [s for s in STORAGE[kind] if 0 <= needed <= SCALARS[s].maximum]
    if storage and fitting:
        return f"leave `storage` out, or write `storage = \"{fitting[0]}\"`"
    if number < 0:
        return "begin with 0"
    return f"choose a smaller one; {_what(kind)} can be stored in {code_list(STORAGE[kind])}"


def _runs(numbers: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Return the numbers as closed ranges, neighbours joined."""
    runs: list[tuple[int, int]] = []
    for number in sorted(numbers):
        if runs and runs[-1][1] == number - 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return tuple(runs)


