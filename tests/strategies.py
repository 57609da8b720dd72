"""Hypothesis strategies: random schemas, and values for their fields.

`schemas()` draws a valid `Schema` without going through the reader; `schema_toml()` spells one as
TOML. By default every drawn schema is small enough to fit on its part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS, Raw, Scalar, ScalarForm
from paramstore.schema import catalogue
from paramstore.schema.from_raw import from_raw, parameter_from_raw, physical_number
from paramstore.schema.model import Field, Group, Kind, Parameter, Role, Schema, ValueLimits

__all__ = [
    "field_raws",
    "group_raws",
    "group_values",
    "parameter_values",
    "parameters",
    "schema_raws",
    "schema_toml",
    "schemas",
]

WORDS = (
    "gain", "offset", "slope", "serial", "mode", "label", "limit", "low", "high", "span", "zero",
    "drift", "phase", "level", "rate", "count", "hours", "starts", "pump", "valve", "lamp", "probe",
    "filter", "delay", "hold", "ramp", "target", "margin", "colour", "language", "revision", "made",
)  # fmt: skip
UNITS = ("", "V", "mV/pH", "degC", "%", "µS/cm", "1/min")
SCALES = tuple(map(Decimal, ("1", "0.01", "0.25", "-0.1", "1000", "3e-5")))
OFFSETS = tuple(map(Decimal, ("0", "0", "-40", "273.15")))
WRITES = (0.01, 0.5, 1.0, 24.0, 48.0)
CHARACTERS = "tank 4_-µ°ß€𝄞\"\\\n\t\x7f"  # of 1 to 4 bytes, and such as TOML escapes
PARTS = ("24LC32A", "24AA32AF", "M24C32-W", "24LC64", "24LC256", "24LC512", "24LC1025", "24LC16B")

names = st.lists(st.sampled_from(WORDS), min_size=1, unique=True)
docs = st.sampled_from(("", "Slope at 25 degC", 'a "quoted" \\ word', "höchste Stufe"))


# ---- Raw values ---------------------------------------------------------------------------------


def _number(scalar: Scalar, low: Raw, high: Raw) -> st.SearchStrategy[Raw]:
    if scalar.form is ScalarForm.FLOAT:
        return st.floats(low, high, width=32 if scalar.size == 4 else 64)
    assert isinstance(low, int) and isinstance(high, int)
    return st.integers(low, high)


def _element(field: Field) -> st.SearchStrategy[Raw]:
    if field.limits.mask is not None:
        bits = [1 << bit for _, bit in field.members]
        return st.lists(st.sampled_from(bits), unique=True).map(sum)
    ranges = field.limits.ranges or ((field.scalar.minimum, field.scalar.maximum),)
    return st.one_of(*(_number(field.scalar, low, high) for low, high in ranges))


def _padded(size: int) -> st.SearchStrategy[tuple[Raw, ...]]:
    return st.text(st.sampled_from(CHARACTERS), max_size=size).map(
        lambda text: tuple(
            text.encode()[:size].decode("utf-8", "ignore").encode().ljust(size, b"\0")
        )
    )


def field_raws(field: Field) -> st.SearchStrategy[tuple[Raw, ...]]:
    """Raw elements of a field within its limits; the default is the simplest of them."""
    if field.kind is Kind.TEXT:
        drawn = _padded(field.count)
    elif field.kind is Kind.BYTES:
        drawn = st.binary(min_size=field.count, max_size=field.count).map(tuple)
    else:
        drawn = st.lists(
            _element(field), min_size=field.count, max_size=field.count, unique=field.rising
        ).map(lambda raws: tuple(sorted(raws) if field.rising else raws))
    return st.just(field.default) | drawn


@st.composite
def group_raws(draw: st.DrawFn, group: Group) -> dict[str, tuple[Raw, ...]]:
    """Raw elements of every field of a group by name, within limits and `below` rules."""
    raws = {field.name: draw(field_raws(field)) for field in group.fields}
    rules = [(p.fields[0], group.parameter(p.below).fields[0]) for p in group.parameters if p.below]
    for low, high in rules:
        pairs = zip(raws[low.name], raws[high.name], strict=True)
        if not all(a < b for a, b in pairs):
            for field in {f.name: f for rule in rules for f in rule}.values():
                raws[field.name] = field.default
    return raws


@st.composite
def schema_raws(draw: st.DrawFn, schema: Schema) -> dict[str, dict[str, tuple[Raw, ...]]]:
    """Raw elements of every field by group name and field name."""
    return {group.name: draw(group_raws(group)) for group in schema.groups}


def parameter_values(parameter: Parameter) -> st.SearchStrategy[Any]:
    """Physical values of one parameter, as a values file holds them, that are stored exactly."""
    return st.tuples(*map(field_raws, parameter.fields)).map(
        lambda raws: parameter_from_raw(
            parameter, {f.name: r for f, r in zip(parameter.fields, raws, strict=True)}
        )
    )


def group_values(group: Group) -> st.SearchStrategy[dict[str, Any]]:
    """Physical values of a whole group by parameter name, within limits and `below` rules."""
    return group_raws(group).map(
        lambda raws: {
            p.name: parameter_from_raw(p, {f.name: raws[f.name] for f in p.fields})
            for p in group.parameters
        }
    )


# ---- Fields and parameters ----------------------------------------------------------------------


@st.composite
def _limits(draw: st.DrawFn, scalar: Scalar, room: int = 0) -> ValueLimits:
    """Closed limits with at least `room` integer steps between, or none at all."""
    whole = (scalar.minimum, scalar.maximum)
    unlimited = ValueLimits((whole,) if scalar.form is ScalarForm.FLOAT else ())
    if draw(st.booleans()):
        return unlimited
    low, high = sorted(draw(st.tuples(_number(scalar, *whole), _number(scalar, *whole))))
    if (low, high) == whole or high - low <= room:
        return unlimited
    return ValueLimits(((low + 0, high + 0),))


@st.composite
def _numeric(draw: st.DrawFn, name: str, scalar: Scalar, room: int = 0) -> Field:
    """A number field with unit, scale and limits, and no default yet.

    With `room` the limits leave so many steps, and stored values rise with physical ones.
    """
    float_form = scalar.form is ScalarForm.FLOAT
    scales = [s for s in SCALES if s > 0 or not room]
    return Field(
        name,
        Kind.FLOAT if float_form else Kind.INTEGER,
        scalar,
        1,
        (),
        limits=draw(_limits(scalar, room)),
        unit=draw(st.sampled_from(UNITS)),
        scale=Decimal(1) if float_form else draw(st.sampled_from(scales)),
        offset=Decimal(0) if float_form else draw(st.sampled_from(OFFSETS)),
        digits=draw(st.none() | st.integers(0, 4)),
    )


def _runs(numbers: Sequence[int]) -> tuple[tuple[int, int], ...]:
    runs: list[tuple[int, int]] = []
    for n in sorted(numbers):
        if runs and runs[-1][1] == n - 1:
            runs[-1] = (runs[-1][0], n)
        else:
            runs.append((n, n))
    return tuple(runs)


def _narrowest(scalars: Sequence[str], fits: int) -> Scalar:
    return next(SCALARS[s] for s in scalars if SCALARS[s].maximum >= fits)


@st.composite
def _enum(draw: st.DrawFn, name: str) -> Field:
    members = draw(names)
    top = draw(st.sampled_from((0, 0, 255, 4000, 70000)))
    numbers = draw(st.lists(st.integers(0, top), min_size=len(members), max_size=len(members),
                            unique=True)) if top else list(range(len(members)))
    return Field(name, Kind.ENUM, _narrowest(("u8", "u16", "u32"), max(numbers)), 1, (),
                 limits=ValueLimits(_runs(numbers)),
                 members=tuple(zip(members, numbers, strict=True)))


@st.composite
def _flags(draw: st.DrawFn, name: str) -> Field:
    members = draw(st.lists(st.sampled_from(WORDS), min_size=1, max_size=8, unique=True))
    bits = draw(st.lists(st.integers(0, draw(st.sampled_from((7, 63)))), min_size=len(members),
                         max_size=len(members), unique=True))
    mask = sum(1 << b for b in bits)
    return Field(name, Kind.FLAGS, _narrowest(("u8", "u16", "u32", "u64"), mask), 1, (),
                 limits=ValueLimits(mask=mask), members=tuple(zip(members, bits, strict=True)))


@st.composite
def _field(draw: st.DrawFn, name: str, kind: Kind) -> Field:
    match kind:
        case Kind.BOOL:
            field = Field(name, kind, SCALARS["u8"], 1, (), limits=ValueLimits(((0, 1),)))
        case Kind.INTEGER:
            scalar = SCALARS[draw(st.sampled_from([s for s in SCALARS if s[0] in "ui"]))]
            field = draw(_numeric(name, scalar))
        case Kind.FLOAT:
            field = draw(_numeric(name, SCALARS[draw(st.sampled_from(("f32", "f64")))]))
        case Kind.ENUM:
            field = draw(_enum(name))
        case Kind.FLAGS:
            field = draw(_flags(name))
        case Kind.DATE:
            field = Field(name, kind, SCALARS["u16"], 1, (), limits=draw(_limits(SCALARS["u16"])))
        case _:
            field = Field(name, kind, SCALARS["u8"], draw(st.integers(1, 20)), ())
            return _with_default(draw, field)
    if draw(st.integers(0, 3)) == 3:
        field = replace(field, count=draw(st.integers(1, 5)), array=True)
    return _with_default(draw, field)


def _with_default(draw: st.DrawFn, field: Field) -> Field:
    simplest = _element(field) if field.kind not in (Kind.TEXT, Kind.BYTES) else st.just(0)
    placeholder = (draw(simplest),) * field.count
    if field.rising:
        return replace(field, default=draw(field_raws(replace(field, default=())).filter(bool)))
    default = draw(field_raws(replace(field, default=placeholder)))
    return replace(field, default=default)


@st.composite
def _curve(draw: st.DrawFn, name: str) -> Parameter:
    points = draw(st.integers(2, 6))
    axes = []
    for axis in "xy":
        scalar = SCALARS[draw(st.sampled_from(("u8", "u16", "i16", "i32", "f32", "f64")))]
        field = draw(_numeric(f"{name}.{axis}", scalar, room=points))
        axes.append(_with_default(
            draw, replace(field, kind=Kind.CURVE, count=points, rising=axis == "x")))
    return Parameter(name, Kind.CURVE, tuple(axes), doc=draw(docs))


@st.composite
def parameters(draw: st.DrawFn, name: str = "gain") -> Parameter:
    """One parameter of any kind."""
    kind = draw(st.sampled_from(list(Kind)))
    if kind is Kind.CURVE:
        return draw(_curve(name))
    return Parameter(name, kind, (draw(_field(name, kind)),), doc=draw(docs))


@st.composite
def _low_and_high(draw: st.DrawFn, low: str, high: str) -> tuple[Parameter, Parameter]:
    """Two parameters, the first of which must stay below the second."""
    scalar = SCALARS[draw(st.sampled_from(("u8", "i16", "i32", "f32")))]
    field = draw(_numeric(low, scalar, room=2))
    pair = draw(field_raws(replace(field, count=2, rising=True, default=())).filter(bool))
    fields = [replace(field, name=n, default=(v,)) for n, v in zip((low, high), pair, strict=True)]
    return (
        Parameter(low, field.kind, (fields[0],), below=high),
        Parameter(high, field.kind, (fields[1],)),
    )


# ---- Groups and schemas -------------------------------------------------------------------------


@st.composite
def _group(draw: st.DrawFn, name: str, number: int, max_parameters: int) -> Group:
    taken = draw(st.lists(st.sampled_from(WORDS), min_size=1, max_size=max_parameters, unique=True))
    if len(taken) > 1 and draw(st.integers(0, 3)) == 3:
        members = [*draw(_low_and_high(*taken[:2])), *(draw(parameters(n)) for n in taken[2:])]
    else:
        members = [draw(parameters(n)) for n in taken]
    role = draw(st.sampled_from(list(Role)))
    copies = 2 if role.protected else 1
    return Group(name, number, role, draw(st.sampled_from(WRITES)), tuple(members),
                 copies=draw(st.sampled_from((copies, copies, 3))),
                 room=draw(st.sampled_from((None, None, 0, 8))), doc=draw(docs))


@st.composite
def schemas(
    draw: st.DrawFn,
    *,
    max_groups: int = 3,
    max_parameters: int = 4,
    parts: Sequence[str] = PARTS,
) -> Schema:
    """A valid schema on one of `parts` of the catalogue."""
    part = catalogue.find(draw(st.sampled_from(parts)))
    assert part is not None
    taken = draw(st.lists(st.sampled_from(WORDS), min_size=1, max_size=max_groups, unique=True))
    numbers = list(range(1, len(taken) + 1))
    if draw(st.booleans()):
        numbers = draw(st.permutations(range(1, 2 * len(taken) + 1)))[: len(taken)]
    return Schema(
        draw(st.sampled_from(("tank_probe", "x", "store_of_a_rather_long_name"))),
        part,
        tuple(draw(_group(n, i, max_parameters)) for n, i in zip(taken, numbers, strict=True)),
        bus_khz=draw(st.sampled_from((100, 400))),
        temperature_c=draw(st.sampled_from((25.0, 45.0))),
        doc=draw(docs),
    )


# ---- Schemas as TOML ----------------------------------------------------------------------------


def schema_toml(schema: Schema) -> str:
    """Return TOML that the reader must read as exactly this schema."""
    lines = [
        "[store]",
        f"name = {_toml(schema.name)}",
        f"part = {_toml(schema.part.name)}",
        f"address = {schema.address:#x}",
        f"bus_khz = {schema.bus_khz}",
        f"supply_v = {schema.supply_v}",
        f"temperature_c = {schema.temperature_c}",
        f"life_years = {schema.life_years}",
        f"doc = {_toml(schema.doc)}",
    ]
    for group in schema.groups:
        lines += [
            "",
            f"[group.{group.name}]",
            f"role = {_toml(group.role.value)}",
            f'writes = "{group.writes_per_day:g} per day"',
            f"id = {group.id}",
            f"copies = {group.copies}",
            f"doc = {_toml(group.doc)}",
        ]
        lines += [f"{key} = {value}" for key in ("slots", "room")
                  if (value := getattr(group, key)) is not None]
        lines.append(f"[group.{group.name}.parameter]")
        lines += [f"{p.name} = {_toml(_parameter_keys(p))}" for p in group.parameters]
    return "\n".join(lines) + "\n"


def _parameter_keys(parameter: Parameter) -> dict[str, Any]:
    field = parameter.fields[0]
    default = parameter_from_raw(parameter, {f.name: f.default for f in parameter.fields})
    if parameter.kind is Kind.CURVE:
        x, y = map(_number_keys, parameter.fields)
        keys = {"type": "curve", "points": field.count, "x": x, "y": y}
    elif parameter.kind in (Kind.INTEGER, Kind.FLOAT):
        keys = _number_keys(field)
    else:
        keys = {"type": parameter.kind.value}
        if parameter.kind in (Kind.TEXT, Kind.BYTES):
            keys["size"] = field.count
        if field.members:
            keys["members"] = dict(field.members)
        if parameter.kind is Kind.DATE:
            keys |= _limit_keys(field)
    if field.array:
        keys["count"] = field.count
        if len(set(field.default)) == 1:
            default = from_raw(replace(field, array=False, count=1), field.default[:1])
    if parameter.below:
        keys["below"] = parameter.below
    return keys | {"default": default, "doc": parameter.doc}


def _number_keys(field: Field) -> dict[str, Any]:
    keys: dict[str, Any] = {"type": field.scalar.name, "unit": field.unit}
    if field.scaled:
        keys |= {"scale": field.scale, "offset": field.offset}
    if field.digits is not None:
        keys["digits"] = field.digits
    return keys | _limit_keys(field)


def _limit_keys(field: Field) -> dict[str, Any]:
    if not field.limits.ranges:
        return {}
    bounds = field.limits.ranges[0]
    if field.kind is Kind.DATE:
        low, high = (from_raw(replace(field, array=False), (b,)) for b in bounds)
    else:
        low, high = sorted(physical_number(field, b) for b in bounds)
    return {"min": low, "max": high}


def _toml(value: Any) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return '"' + "".join(map(_escaped, value)) + '"'
        case list():
            return "[" + ", ".join(map(_toml, value)) + "]"
        case dict():
            return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
        case float():
            return repr(value)
        case _:
            return str(value)


def _escaped(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if character < " " or character == "\x7f":
        return f"\\u{ord(character):04X}"
    return character
