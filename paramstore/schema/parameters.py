"""One parameter of a schema: from its TOML table to a `Parameter`, or to findings.

Knows the keys of each type and the rules within one parameter; knows no other parameter.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import NamedTuple

from paramstore.core.errors import Severity, errors_in
from paramstore.core.scalars import SCALARS, Raw, scalar_named
from paramstore.core.words import code_list, did_you_mean, show_number, type_of
from paramstore.located.keys import KeyPath, Keys, TomlValue
from paramstore.located.validator import CheckedTable, Validator
from paramstore.schema.convert_key import read_convert
from paramstore.schema.from_raw import physical_number, show_raw
from paramstore.schema.keys import (
    AXIS_KEYS,
    FLOATS,
    INTEGERS,
    PARAMETER_KEYS,
    TYPE_ALIASES,
    TYPES,
    TypeInfo,
)
from paramstore.schema.limits import grid_note, limited, refuse_value
from paramstore.schema.members import read_members
from paramstore.schema.model import Field, Kind, Parameter, ValueLimits
from paramstore.schema.numbers import nearest_raw
from paramstore.schema.to_raw import Loss, ValueProblem, check_limits, parameter_to_raw

__all__ = ["Dialect", "open_parameter", "read_parameter", "read_single"]

_ARRAY_TYPE = re.compile(r"\s*(\w+)\s*\[\s*(\d*)\s*\]\s*")
_LEAST_SCALE, _MOST_SCALE = Decimal("1e-30"), Decimal("1e30")


class Dialect(NamedTuple):
    """What the parameters of one kind of schema may say: all keys, and the types with theirs."""

    keys: Keys
    types: Mapping[str, TypeInfo]


_STORE = Dialect(PARAMETER_KEYS, TYPES)


def read_parameter(validator: Validator, path: KeyPath, name: str) -> Parameter | None:
    """Return the parameter at `path`; None, with findings in the validator, if it is not sound."""
    before = len(validator.findings)
    opened = open_parameter(validator, path, name, _STORE)
    if opened is None:
        return None
    table, info = opened
    fields = _axes(table, name) if info.kind is Kind.CURVE else read_single(table, name, info.kind)
    if fields is None:
        return None
    parameter = Parameter(name, info.kind, fields, table.get("doc", ""), table.get("below"),
                          table.get("was"), validator.key(*path))
    complete = _with_default(table, parameter)
    wrong = errors_in(validator.findings[before:])
    if wrong:
        # What rounding does to a parameter matters only when nothing else is wrong with it.
        validator.findings[before:] = wrong
    return None if wrong else complete


def open_parameter(
    validator: Validator, path: KeyPath, name: str, dialect: Dialect
) -> tuple[CheckedTable, TypeInfo] | None:
    """Return the table of a parameter, its keys checked, and its type; None with findings."""
    value = validator.at(path)
    if not isinstance(value, dict):
        _refuse_bare(validator, path, name, value)
        return None
    info = dialect.types.get(str(value.get("type")))
    # While the type is not known, any key may be right and none but `type` is asked for.
    keys = dialect.keys if info else {
        n: k._replace(required=n == "type") for n, k in dialect.keys.items()}
    table = validator.table(path, keys, f"parameter `{name}`", allowed=info.keys if info else None)
    if table is None or not _has_type(table, tuple(dialect.types)):
        return None
    assert info is not None
    _refuse_foreign_keys(table, info.keys, dialect)
    return table, info


def _refuse_bare(validator: Validator, path: KeyPath, name: str, value: TomlValue) -> None:
    given = str(value)
    known = given if given in TYPES else TYPE_ALIASES.get(given, "u16")
    validator.add("PS106", f"parameter `{name}` must be a table, not {type_of(value)}",
                  validator.value(*path), help=f'write `{name} = {{ type = "{known}" }}`')


def _has_type(table: CheckedTable, known: tuple[str, ...]) -> bool:
    """Return whether `type` is one of the known ones; tell what is wrong if it is there."""
    name = table.get("type")
    if name is None or name in known:
        return name is not None
    help = _type_help(name, known)
    if name in TYPES:
        table.add("PS201", f"{table.what} cannot have the type `{name}`", table.span("type"),
                  help=f"use one of {code_list(known, 'or')}")
    else:
        table.add("PS201", f"there is no type `{name}`", table.span("type"), help=help)
    return False


def _type_help(name: str, known: tuple[str, ...]) -> str:
    """Return what may be meant by the name of a type: one from elsewhere, or `u16[4]`."""
    array = _ARRAY_TYPE.fullmatch(name)
    if array and array[1] == "char" and "text" in known:
        return f'write `type = "text", size = {array[2] or "N"}`'
    word = array[1] if array else name
    meant = TYPE_ALIASES.get(word.lower(), word)
    countable = meant in TYPES and "count" in TYPES[meant].keys
    if meant not in known or (array and not countable):
        return did_you_mean(word, known, "types")
    if array:
        return f'write `type = "{meant}", count = {array[2] or "N"}`'
    return f"here this type is called `{meant}`"


def _refuse_foreign_keys(table: CheckedTable, allowed: tuple[str, ...],
                         dialect: Dialect = _STORE) -> None:
    kind = table.get("type")
    for name in [n for n in table.data if n in dialect.keys and n not in allowed]:
        owners = [t for t, info in dialect.types.items() if name in info.keys]
        table.add(
            "PS107",
            f"`{name}` means nothing for the type `{kind}`",
            table.key(name),
            notes=(f"it belongs to {_type_names(owners)}",),
            help=_foreign_help(name, kind, dialect.types[kind].keys),
        )
        table.spoil(name)


def _type_names(names: list[str]) -> str:
    """Return the names of types for a note, integers and floats taken together."""
    kinds = ["integers"] * ("u8" in names) + ["floats"] * ("f32" in names)
    kinds += [f"`{n}`" for n in names if n not in INTEGERS + FLOATS]
    return " and ".join(filter(None, (", ".join(kinds[:-1]), kinds[-1])))


def _foreign_help(name: str, kind: str, allowed: tuple[str, ...]) -> str:
    if name == "size" and "count" in allowed:
        return "for several elements write `count`; for a wider number choose another type"
    if name in ("min", "max") and kind == "curve":
        return f"limit an axis instead: `y = {{ type = \"i16\", {name} = 0 }}`"
    if name in ("unit", "scale", "offset", "digits") and kind == "curve":
        return f"write `{name}` in the tables of the axes, `x` and `y`"
    if name == "count" and kind in ("text", "bytes"):
        return "write `size`, the number of bytes; for several texts make several parameters"
    return f"leave `{name}` out, or choose another type"


# ---- Fields -------------------------------------------------------------------------------------


def read_single(table: CheckedTable, name: str, kind: Kind) -> tuple[Field] | None:
    """Return the only field of a parameter that is no curve, without its default."""
    match kind:
        case Kind.INTEGER | Kind.FLOAT:
            field = _number_field(table, name, kind)
        case Kind.DATE:
            field = _date_field(table, name)
        case Kind.ENUM | Kind.FLAGS:
            field = read_members(table, name, kind)
        case Kind.BOOL:
            field = Field(name, kind, SCALARS["u8"], 1, (), limits=ValueLimits(((0, 1),)))
        case _:
            size = table.get("size")
            field = size and Field(name, kind, SCALARS["u8"], size, ())
    if field is None:
        return None
    field = replace(field, convert=read_convert(table, field))
    if "count" in table.values:
        field = replace(field, count=table.get("count"), array=True)
    # Without a count that holds, nothing can be said about an array of defaults.
    unclear = "count" in table.spoilt and isinstance(table.data.get("default"), list)
    return None if unclear else (field,)


def _axes(table: CheckedTable, name: str) -> tuple[Field, ...] | None:
    """Return the two fields of a curve without their defaults."""
    fields = []
    for axis in ("x", "y"):
        if axis not in table.values:
            continue
        what = f"axis `{axis}` of `{name}`"
        inner = table.inner(axis, AXIS_KEYS, what)
        if inner is None or not _has_type(inner, INTEGERS + FLOATS):
            continue
        kind = TYPES[inner.get("type")].kind
        _refuse_foreign_keys(inner, TYPES[inner.get("type")].keys)
        field = _number_field(inner, f"{name}.{axis}", kind)
        if field is not None and axis == "x" and field.scale < 0:
            inner.add("PS207", "the axis `x` cannot have a negative scale",
                      inner.span("scale"), help="store it with a positive scale",
                      notes=("the firmware looks x up by its stored value, which must rise",))
        elif field is not None and "points" in table.values:
            fields.append(replace(field, kind=Kind.CURVE, count=table.get("points"),
                                  rising=axis == "x", convert=read_convert(inner, field)))
    return tuple(fields) if len(fields) == 2 else None


def _number_field(table: CheckedTable, name: str, kind: Kind) -> Field | None:
    scale, offset = (_factor(table, key, neutral) for key, neutral in (("scale", 1), ("offset", 0)))
    if scale is None or offset is None:
        return None
    field = Field(
        name, kind, scalar_named(table.get("type")), 1, (), unit=table.get("unit", "").strip(),
        digits=table.get("digits"), scale=scale, offset=offset,
    )
    return limited(table, field)


def _factor(table: CheckedTable, key: str, neutral: int) -> Decimal | None:
    """Return scale or offset, None if it is of no use."""
    if key in table.spoilt:
        return None
    value = Decimal(table.get(key, neutral))
    if value.is_finite() and (value == 0 or _LEAST_SCALE <= abs(value) <= _MOST_SCALE):
        if value or key == "offset":
            return value
        message, help = "`scale` is 0", "leave `scale` out for a step of 1"
    else:
        message = f"`{key}` = {show_number(value)} is of no use"
        help = "give a number between 1e-30 and 1e30"
    table.add("PS207", message, table.span(key), help=help,
              notes=("physical value = stored integer x `scale` + `offset`",))
    return None


def _date_field(table: CheckedTable, name: str) -> Field:
    return limited(table, Field(name, Kind.DATE, SCALARS["u16"], 1, ()))


# ---- Defaults -----------------------------------------------------------------------------------


def _with_default(table: CheckedTable, parameter: Parameter) -> Parameter | None:
    """Return the parameter with its default values; None, with a finding, if they are not sound."""
    if "default" in table.spoilt:
        return None
    if "default" not in table.values:
        return _with_implied_default(table, parameter)
    try:
        conversions = parameter_to_raw(parameter, table.get("default"))
    except ValueProblem as problem:
        refuse_value(table, "default", problem)
        return None
    for field in parameter.fields:
        for loss in conversions[field.name].losses:
            _warn_rounding(table, field, loss)
    fields = [replace(f, default=conversions[f.name].raws) for f in parameter.fields]
    return replace(parameter, fields=tuple(fields))


def _warn_rounding(table: CheckedTable, field: Field, loss: Loss) -> None:
    finer = ", or use `f64`" if field.scalar.name == "f32" else (
        ", or a smaller `scale`" if field.scaled else "")
    unit = f" {field.unit}" if field.unit else ""
    table.add(
        "PS209",
        f"{show_number(loss.wanted)}{unit} is stored as {show_number(loss.stored)}{unit}",
        table.span("default", *loss.path),
        label=f"off by {show_number(loss.error)}{unit}",
        notes=(grid_note(field),),
        help=f"write {show_number(loss.stored)}{finer}",
        severity=Severity.WARNING,
    )


def _with_implied_default(table: CheckedTable, parameter: Parameter) -> Parameter | None:
    """Give 0, false, the first member, no flags, "", zero bytes or 2000-01-01."""
    name = parameter.name
    if parameter.kind is Kind.CURVE:
        table.add("PS219", f"curve `{name}` has no default", table.key(),
                  notes=("a curve of zeros does not rise, so there is none to fall back on",),
                  help="add `default = [[x, y], ...]` with all points")
        return None
    (field,) = parameter.fields
    zero: Raw | None = 0
    if field.kind is Kind.ENUM:
        zero = field.members[0][1]
    elif field.kind in (Kind.INTEGER, Kind.FLOAT):
        zero = nearest_raw(field.scalar, Decimal(0), field.scale, field.offset)
    complete = replace(field, default=(0 if zero is None else zero,) * field.count)
    try:
        check_limits(complete, complete.default)
    except ValueProblem:
        zero = None
    if zero is None:
        _refuse_implied(table, field)
        return None
    return replace(parameter, fields=(complete,))


def _refuse_implied(table: CheckedTable, field: Field) -> None:
    low, high = field.limits.ranges[0] if field.limits.ranges else (
        field.scalar.minimum, field.scalar.maximum)
    first, last = sorted((low, high), key=lambda raw: physical_number(field, raw))
    zero = "2000-01-01" if field.kind is Kind.DATE else "0"
    table.add(
        "PS206",
        f"`{field.name}` has no default, and {zero} is not within its limits",
        table.key(),
        notes=(f"it may be {show_raw(field, first)} to {show_raw(field, last)}",
               f"a parameter without a default starts as {zero}"),
        help="add a `default` within the limits",
    )
