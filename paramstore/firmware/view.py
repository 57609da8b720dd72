"""What the templates print: the rows of a Plan with C names and C numbers, comments included.

`view_of` turns a Plan into frozen data; the templates only put it into lines. Knows the model,
the codec for bytes, and `spelling` and `names` for text.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from textwrap import shorten

from paramstore.checksum import crc32c, record_prefix
from paramstore.codec import build_label, default_payload, element_bytes
from paramstore.errors import Finding, FindingsError
from paramstore.firmware.names import Names
from paramstore.firmware.spelling import (
    C_TYPES,
    comment_lines,
    comment_text,
    hex_bytes,
    literal,
    mask_literal,
    real_literal,
)
from paramstore.layout.plan import Plan, Ring
from paramstore.scalars import ScalarForm
from paramstore.schema.model import Field, Group, Kind, Parameter
from paramstore.schema.quantity import format_value, show_raw

__all__ = ["Bytes", "Constant", "Conversion", "FieldRow", "GroupView", "ParameterView", "RuleRow",
           "StoreView", "view_of"]

_FORMS = {ScalarForm.UNSIGNED: "PS_UNSIGNED", ScalarForm.SIGNED: "PS_SIGNED",
          ScalarForm.FLOAT: "PS_FLOAT"}
_LENGTHS = {Kind.TEXT: "size", Kind.BYTES: "size", Kind.CURVE: "points"}
_NUMBERS = (Kind.INTEGER, Kind.FLOAT, Kind.DATE)


@dataclass(frozen=True, slots=True)
class Bytes:
    """Some bytes of a const array: lines of initialisers under a comment."""

    comment: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Constant:
    """A `#define`."""

    name: str
    value: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Conversion:
    """An inline function from the stored integer to the physical value, in `real` arithmetic."""

    name: str
    real: str
    c_type: str
    expression: str
    comment: str


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One row of the field table. `part` is ".x" or ".y" inside a curve, else ""."""

    index: str
    comment: str
    c_type: str
    part: str
    count: int
    size: int
    form: str
    range_count: int
    limits_at: int | None
    physical: Conversion | None


@dataclass(frozen=True, slots=True)
class ParameterView:
    """One parameter: its member, its constants and the names of its functions.

    `shape` is "one", "many", "text" or "curve"; `length` counts elements, points or bytes.
    """

    name: str
    shape: str
    c_type: str
    member: str
    length: int
    comment: tuple[str, ...]
    constants: tuple[Constant, ...]
    fields: tuple[FieldRow, ...]
    getter: str
    setter: str
    setter_at: str

    @property
    def dimension(self) -> str:
        """What follows the member's name in the struct; a text has room for its closing 0."""
        return {"many": f"[{self.length}]", "text": f"[{self.length + 1}]"}.get(self.shape, "")


@dataclass(frozen=True, slots=True)
class RuleRow:
    """A field that must stay below another one; one that must rise stands on both sides."""

    low: str
    high: str
    comment: str


@dataclass(frozen=True, slots=True)
class GroupView:
    """One group: its struct, its parameters and its row in the group table."""

    ring: Ring
    index: str
    c_type: str
    member: str
    name: str
    comment: tuple[str, ...]
    parameters: tuple[ParameterView, ...]
    defaults_name: str
    defaults: tuple[Bytes, ...]
    rules_name: str
    rules: tuple[RuleRow, ...]
    crc_start: int

    @property
    def fields(self) -> tuple[FieldRow, ...]:
        """All rows of the field table of this group."""
        return tuple(row for p in self.parameters for row in p.fields)


@dataclass(frozen=True, slots=True)
class StoreView:
    """The whole store."""

    plan: Plan
    name: str
    guard: str
    header: str
    source: str
    c_type: str
    values_type: str
    layout: str
    init: str
    group_count: str
    buffer_bytes: int
    comment: tuple[str, ...]
    groups: tuple[GroupView, ...]
    limits: tuple[Bytes, ...]
    label: tuple[Bytes, ...]
    sizes: tuple[tuple[str, int], ...]  # C types whose size C leaves open, and what it must be

    @property
    def parameters(self) -> Iterator[tuple[GroupView, ParameterView]]:
        """Every parameter with its group."""
        return ((g, p) for g in self.groups for p in g.parameters)

    @property
    def fields(self) -> tuple[FieldRow, ...]:
        """All rows of the field table."""
        return tuple(row for g in self.groups for row in g.fields)

    @property
    def has_rules(self) -> bool:
        """Whether any group has rules between its fields."""
        return any(g.rules for g in self.groups)


class _LimitPool:
    """The limits of all fields in one array; equal ones are stored once."""

    def __init__(self) -> None:
        self._rows: list[Bytes] = []
        self._places: dict[bytes, int] = {}
        self._size = 0

    @property
    def rows(self) -> tuple[Bytes, ...]:
        return tuple(self._rows)

    def place(self, field: Field, owner: str) -> tuple[int, int | None]:
        """Return (number of ranges, offset in the array); (0, None) if every value is allowed."""
        ranges = _ranges(field)
        if field.limits.mask is not None:
            data = element_bytes(field.scalar, field.limits.mask)
            shown = f"{owner}: bits that may be set"
        elif ranges:
            data = b"".join(element_bytes(field.scalar, v) for pair in ranges for v in pair)
            shown = f"{owner}: {', '.join(_range_text(field, *pair) for pair in ranges)}"
        else:
            return 0, None
        if data not in self._places:
            self._places[data] = self._size
            shown = shorten(comment_text(shown), 84, placeholder=" ...")
            self._rows.append(Bytes(f"{self._size}: {shown}", tuple(hex_bytes(data))))
            self._size += len(data)
        return (0 if field.limits.mask is not None else len(ranges)), self._places[data]


def _ranges(field: Field) -> tuple[tuple[int | float, int | float], ...]:
    """The ranges a table must hold: none where the integer type itself is the limit."""
    scalar = field.scalar
    if field.kind is Kind.BOOL:
        return ((0, 1),)  # any other byte would make the C bool undefined
    if scalar.form is not ScalarForm.FLOAT and field.limits.ranges == (
            (scalar.minimum, scalar.maximum),):
        return ()
    return field.limits.ranges


def view_of(plan: Plan) -> StoreView:
    """Return what the templates need.

    Raises FindingsError: PS701 where two things would get the same name, PS702 where a number
    does not fit in the tables.
    """
    names = Names(plan.schema)
    pool = _LimitPool()
    store = plan.schema.name
    shell = StoreView(
        plan=plan,
        name=store,
        guard=names.common_macro("params_h", "include guard"),
        header=f"{store}_params.h",
        source=f"{store}_params.c",
        c_type=names.common("t", "type of the store"),
        values_type=names.common("values_t", "type of the values"),
        layout=names.common("layout", "layout table"),
        init=names.common("init", "function that begins"),
        group_count=names.common_macro("group_count", "number of groups"),
        buffer_bytes=_buffer_bytes(plan),
        comment=tuple(comment_lines([plan.schema.doc])),
        groups=(),
        limits=(),
        label=(Bytes("FORMAT.md, 2", tuple(hex_bytes(build_label(plan)))),),
        sizes=tuple((c_type, size) for c_type, size in (("bool", 1), ("float", 4), ("double", 8))
                    if c_type in {_c_type(f) for ring in plan.rings for f in ring.group.fields}),
    )
    groups = tuple(_group(names, pool, plan, ring) for ring in plan.rings)
    names.check()
    _check_numbers(plan, groups)
    return replace(shell, groups=groups, limits=pool.rows)


def _group(names: Names, pool: _LimitPool, plan: Plan, ring: Ring) -> GroupView:
    group = ring.group
    placed = iter(zip(ring.fields, _default_rows(ring), strict=True))
    parameters: list[ParameterView] = []
    defaults: list[Bytes] = []
    index = names.group_index(group)
    for parameter in group.parameters:
        rows = [next(placed) for _ in parameter.fields]
        parameters.append(_parameter(names, pool, group, parameter))
        defaults.extend(row for _, row in rows)
    index_of = {f.name: row.index for p, v in zip(group.parameters, parameters, strict=True)
                for f, row in zip(p.fields, v.fields, strict=True)}
    return GroupView(
        ring=ring,
        index=index,
        c_type=names.group_type(group),
        member=names.member("values", group.name, group.span),
        name=group.name,
        comment=tuple(comment_lines(_group_words(group))),
        parameters=tuple(parameters),
        defaults_name=names.claim(f"defaults_{group.name}", f"group `{group.name}`", group.span),
        defaults=tuple(defaults),
        rules_name=names.claim(f"rules_{group.name}", f"group `{group.name}`", group.span),
        rules=tuple(_rules(group, index_of)),
        crc_start=crc32c(record_prefix(plan.store_id, group.id)) ^ 0xFFFF_FFFF,
    )


def _rules(group: Group, index_of: dict[str, str]) -> Iterator[RuleRow]:
    for parameter in group.parameters:
        if parameter.below:
            yield RuleRow(index_of[parameter.name], index_of[parameter.below],
                          f"{parameter.name} below {parameter.below}")
        for field in parameter.fields:
            if field.rising:
                yield RuleRow(index_of[field.name], index_of[field.name], f"{field.name} rising")


def _default_rows(ring: Ring) -> Iterator[Bytes]:
    payload = default_payload(ring)
    for placed in ring.fields:
        field = placed.field
        data = payload[placed.offset:placed.offset + field.size]
        shown = comment_text(f"{field.name}: {format_value(field, field.default)}")
        yield Bytes(shorten(shown, 88, placeholder=" ..."), tuple(hex_bytes(data)))


def _group_words(group: Group) -> Iterator[str]:
    yield f"{group.name}: {group.doc}" if group.doc else group.name
    if group.role.protected:
        yield f"Role {group.role}: ps_unlock it before a change."


# ---- Parameters ----------------------------------------------------------------------------


def _parameter(names: Names, pool: _LimitPool, group: Group, parameter: Parameter) -> ParameterView:
    first = parameter.fields[0]
    shape = _shape(parameter)
    parts = (".x", ".y") if shape == "curve" else ("",)
    own = () if shape == "curve" else (names.constant(group, parameter),)
    fields = tuple(
        _field(names, pool, group, parameter, field, part,
               own[0] if own else names.constant(group, parameter, part[1:]))
        for field, part in zip(parameter.fields, parts, strict=True)
    )
    return ParameterView(
        name=parameter.name,
        shape=shape,
        c_type=names.curve_type(group, parameter) if shape == "curve" else fields[0].c_type,
        member=names.member(group.name, parameter.name, parameter.span),
        length=first.count,
        comment=tuple(comment_lines(_parameter_words(parameter), 88)),
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


def _field(names: Names, pool: _LimitPool, group: Group, parameter: Parameter, field: Field,
           part: str, index: str) -> FieldRow:
    owner = f"{group.name}.{field.name}"
    range_count, limits_at = pool.place(field, owner)
    form = [_FORMS[field.scalar.form]]
    form += ["PS_JOINED"] * (part == ".y")
    form += ["PS_TEXT"] * (field.kind is Kind.TEXT)
    form += ["PS_MASK"] * (field.limits.mask is not None)
    c_type = _c_type(field)
    return FieldRow(
        index=index,
        comment=comment_text(owner),
        c_type=c_type,
        part=part,
        count=field.count,
        size=field.scalar.size,
        form=" | ".join(form),
        range_count=range_count,
        limits_at=limits_at,
        physical=_conversion(names, group, parameter, field, part, c_type),
    )


def _c_type(field: Field) -> str:
    return {Kind.BOOL: "bool", Kind.TEXT: "char"}.get(field.kind, C_TYPES[field.scalar.name])


def _conversion(names: Names, group: Group, parameter: Parameter, field: Field, part: str,
                c_type: str) -> Conversion | None:
    """From raw to physical; in float where that holds every raw value, else in double."""
    if not field.scaled:
        return None
    single = field.scalar.size <= 2
    real = "float" if single else "double"
    expression = f"({real})raw * {real_literal(float(field.scale), single)}"
    if field.offset:
        sign = "-" if field.offset < 0 else "+"
        expression += f" {sign} {real_literal(abs(float(field.offset)), single)}"
    return Conversion(
        name=names.function("physical", group, parameter, part[1:]),
        real=real,
        c_type=c_type,
        expression=expression,
        comment=comment_text(f"{group.name}.{field.name}, physical"
                             + (f", in {field.unit}" if field.unit else "")),
    )


def _constants(names: Names, group: Group, parameter: Parameter, shape: str) -> Iterator[Constant]:
    first = parameter.fields[0]
    if length := _LENGTHS.get(parameter.kind, "elements" if first.array else ""):
        yield Constant(names.constant(group, parameter, length), f"{first.count}u")
    for field, part in zip(parameter.fields, (("x",), ("y",)) if shape == "curve" else ((),),
                           strict=True):
        for suffix, value in zip(("min", "max"), _narrowed(field), strict=False):
            yield Constant(names.constant(group, parameter, *part, suffix),
                           literal(field.scalar, value), _if_scaled(field, value))
    if shape == "one" and first.kind in (*_NUMBERS, Kind.BOOL):
        value = first.default[0]
        shown = ("true" if value else "false") if first.kind is Kind.BOOL else literal(
            first.scalar, value)
        yield Constant(names.constant(group, parameter, "default"), shown,
                       _if_scaled(first, value))
    for member, number in first.members:
        name = names.constant(group, parameter, member)
        yield Constant(name, mask_literal(first.scalar, 1 << number)
                       if first.kind is Kind.FLAGS else literal(first.scalar, number))


def _range_text(field: Field, low: int | float, high: int | float) -> str:
    """A range with its unit once, such as "-8 .. 2 degC"."""
    if field.scale < 0:
        low, high = high, low
    end = show_raw(field, high)
    return end if low == high else f"{show_raw(field, low).removesuffix(f' {field.unit}')} .. {end}"


def _narrowed(field: Field) -> tuple[int | float, int | float] | tuple[()]:
    """Lowest and highest value of a number; () where the stored type is the only limit."""
    whole = ((field.scalar.minimum, field.scalar.maximum),)
    number = field.kind in (*_NUMBERS, Kind.CURVE)
    ranges = field.limits.ranges
    return ranges[0] if number and len(ranges) == 1 and ranges != whole else ()


def _if_scaled(field: Field, raw: int | float) -> str:
    """The physical value, where the constant beside it does not show it."""
    return comment_text(show_raw(field, raw)) if field.scaled or field.kind is Kind.DATE else ""


def _parameter_words(parameter: Parameter) -> Iterator[str]:
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
    elif field.unit:
        yield field.unit
    if limits := _narrowed(field):
        yield _range_text(field, *limits)
    if field.rising:
        yield "rising"
    yield f"default {format_value(field, field.default)}"


# ---- What must fit ------------------------------------------------------------------------------


def _buffer_bytes(plan: Plan) -> int:
    """Two address bytes, and a label or what goes over the bus of a record at a time."""
    longest = max((ring.record_bytes for ring in plan.rings), default=0)
    return 2 + max(plan.label_bytes, min(plan.part.page, longest))


def _check_numbers(plan: Plan, groups: tuple[GroupView, ...]) -> None:
    def refuse(message: str, help: str, group: Group | None = None) -> None:
        source = plan.schema.source if group and group.span else None
        findings.append(Finding("PS702", message, source, group.span if source and group else None,
                                help=help))

    findings: list[Finding] = []
    for view in groups:
        group = view.ring.group
        if len(view.rules) > 0xFF:
            refuse(f"group `{group.name}` has {len(view.rules)} rules `below`, "
                   "the tables hold 255", "split the group", group)
        for row in view.fields:
            if row.range_count > 0xFF:
                refuse(f"`{row.comment}` allows {row.range_count} separate ranges, the tables "
                       "hold 255", "number the members without gaps", group)
        if view.ring.record_bytes > 0xFFFF or view.ring.slot_pages * plan.part.page > 0xFFFF:
            refuse(f"a record of group `{group.name}` has {view.ring.record_bytes} bytes, "
                   "the tables hold 65535", "split the group", group)
    total = sum(ring.payload_bytes for ring in plan.rings)
    if total > 0xFFFF:
        refuse(f"the values have {total} bytes, the tables hold 65535", "make the store smaller")
    if findings:
        raise FindingsError(findings)
