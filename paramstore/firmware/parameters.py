"""Parameters as rows: their fields, constants, functions and limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from textwrap import shorten

from paramstore.core.scalars import Raw, Scalar, ScalarForm
from paramstore.firmware.describe import (
    NUMBERS,
    narrowed,
    parameter_words,
    physical_words,
    range_text,
)
from paramstore.firmware.names import Names
from paramstore.firmware.physical import conversions, decimals_constant
from paramstore.firmware.rows import Bytes, Constant, FieldRow, ParameterView
from paramstore.firmware.spelling import (
    C_TYPES,
    comment_lines,
    comment_text,
    hex_bytes,
    literal,
    mask_literal,
)
from paramstore.layout.plan import PlacedField
from paramstore.record import element_bytes
from paramstore.schema.model import Field, Group, Kind, Parameter

__all__ = ["LimitPool", "c_type_of", "parameter_view"]

_FORMS = {ScalarForm.UNSIGNED: "PS_UNSIGNED", ScalarForm.SIGNED: "PS_SIGNED",
          ScalarForm.FLOAT: "PS_FLOAT"}
_LENGTHS = {Kind.TEXT: "size", Kind.BYTES: "size", Kind.CURVE: "points"}


class LimitPool:
    """The limits of all fields in one array; equal ones are stored once."""

    def __init__(self) -> None:
        self._rows: list[Bytes] = []
        self._places: dict[bytes, int] = {}
        self._size = 0

    @property
    def rows(self) -> tuple[Bytes, ...]:
        """The bytes of the array, in order."""
        return tuple(self._rows)

    def add(self, field: Field, owner: str) -> tuple[int, int | None]:
        """Return (number of ranges, offset in the array); (0, None) if every value is allowed."""
        ranges = _ranges(field)
        if field.limits.mask is not None:
            data = _key(field.scalar, field.limits.mask)
            shown = f"{owner}: bits that may be set"
        elif ranges:
            data = b"".join(_key(field.scalar, v) for pair in ranges for v in pair)
            shown = f"{owner}: {', '.join(range_text(field, *pair) for pair in ranges)}"
        else:
            return 0, None
        if data not in self._places:
            self._places[data] = self._size
            shown = shorten(comment_text(shown), 84, placeholder=" ...")
            self._rows.append(Bytes(f"{self._size}: {shown}", tuple(hex_bytes(data))))
            self._size += len(data)
        return (0 if field.limits.mask is not None else len(ranges)), self._places[data]


def _key(scalar: Scalar, value: Raw) -> bytes:
    """Return the bytes of an element, changed so that they order as numbers do (ps_field_t)."""
    bits = int.from_bytes(element_bytes(scalar, value), "little")
    sign = 1 << 8 * scalar.size - 1
    if scalar.form is ScalarForm.FLOAT and bits & sign:
        bits = 2 * sign - bits  # so that -0.0 and 0.0 are the same
    elif scalar.form is not ScalarForm.UNSIGNED:
        bits ^= sign
    return bits.to_bytes(scalar.size, "big")


def _ranges(field: Field) -> tuple[tuple[Raw, Raw], ...]:
    """The ranges a table must hold: none where the integer type itself is the limit."""
    scalar = field.scalar
    if field.kind is Kind.BOOL:
        return ((0, 1),)  # any other byte would make the C bool undefined
    if scalar.form is not ScalarForm.FLOAT and field.limits.ranges == (
            (scalar.minimum, scalar.maximum),):
        return ()
    return field.limits.ranges


def parameter_view(
    names: Names, pool: LimitPool, group: Group, parameter: Parameter,
    placed: Mapping[str, PlacedField],
) -> ParameterView:
    """Return a parameter in C names; its limits go into `pool`. `placed` has its fields by name."""
    first = parameter.fields[0]
    shape = _shape(parameter)
    parts = (".x", ".y") if shape == "curve" else ("",)
    curve = names.curve_type(group, parameter) if shape == "curve" else ""
    fields = tuple(
        _field(names, pool, group, parameter, placed[field.name], curve, part)
        for field, part in zip(parameter.fields, parts, strict=True)
    )
    return ParameterView(
        name=parameter.name,
        shape=shape,
        c_type=curve or fields[0].c_type,
        length=first.count,
        comment=tuple(comment_lines(parameter_words(parameter), 88)),
        constants=tuple(_constants(names, group, parameter, shape)),
        fields=fields,
        getter=names.function("get", group, parameter),
        setter=names.function("set", group, parameter),
        setter_at=(names.function("set", group, parameter, "at")
                   if shape in ("many", "curve") else ""),
    )


def _shape(parameter: Parameter) -> str:
    field = parameter.fields[0]
    if parameter.kind is Kind.CURVE:
        return "curve"
    if parameter.kind is Kind.TEXT:
        return "text"
    return "many" if field.array or parameter.kind is Kind.BYTES else "one"


def _field(names: Names, pool: LimitPool, group: Group, parameter: Parameter,
           placed: PlacedField, curve_type: str, part: str) -> FieldRow:
    field = placed.field
    owner = f"{group.name}.{field.name}"
    range_count, limits_at = pool.add(field, owner)
    c_flags = [_FORMS[field.scalar.form]]
    c_flags += ["PS_TEXT"] * (field.kind is Kind.TEXT)
    c_flags += ["PS_MASK"] * (field.limits.mask is not None)
    c_flags += ["PS_X"] * (part == ".x") + ["PS_Y"] * (part == ".y")
    return FieldRow(
        index=names.constant(group, parameter, *([part[1:]] if part else [])),
        comment=comment_text(owner),
        parameter=parameter.name,
        c_type=c_type_of(field),
        curve_type=curve_type,
        part=part,
        count=field.count,
        size=field.scalar.size,
        c_flags=" | ".join(c_flags),
        range_count=range_count,
        limits_at=limits_at,
        conversions=tuple(conversions(
            field, owner, lambda verb: names.function(verb, group, parameter, part[1:]))),
        at=placed.offset,
        since=placed.since,
    )


def c_type_of(field: Field) -> str:
    """Return the C type of one element of a field in the values struct."""
    return {Kind.BOOL: "bool", Kind.TEXT: "char"}.get(field.kind, C_TYPES[field.scalar.name])


def _constants(names: Names, group: Group, parameter: Parameter, shape: str) -> Iterator[Constant]:
    first = parameter.fields[0]
    if length := _LENGTHS.get(parameter.kind, "elements" if first.array else ""):
        yield Constant(names.constant(group, parameter, length), f"{first.count}u")
    parts = tuple(zip(parameter.fields, (("x",), ("y",)) if shape == "curve" else ((),),
                      strict=True))
    for field, part in parts:
        for suffix, value in zip(("min", "max"), narrowed(field), strict=False):
            yield Constant(names.constant(group, parameter, *part, suffix),
                           literal(field.scalar, value),
                           comment_text(physical_words(field, value)))
    if shape == "one" and first.kind in (*NUMBERS, Kind.BOOL):
        value = first.default[0]
        shown = ("true" if value else "false") if first.kind is Kind.BOOL else literal(
            first.scalar, value)
        yield Constant(names.constant(group, parameter, "default"), shown,
                       comment_text(physical_words(first, value)))
    for field, part in parts:
        yield from decimals_constant(field, names.constant(group, parameter, *part, "decimals"))
    for member, number in first.members:
        name = names.constant(group, parameter, member)
        yield Constant(name, mask_literal(first.scalar, 1 << number)
                       if first.kind is Kind.FLAGS else literal(first.scalar, number))
