"""Plans made without schema files and without the planner, for tests of bytes.

`EXAMPLE` is the store of the worked examples in FORMAT.md, section 8.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from paramstore.core.checksum import crc32c
from paramstore.core.scalars import SCALARS, Raw, Scalar, ScalarForm
from paramstore.layout.layout_id import layout_id, layout_text
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.model import Field, Group, Kind, Parameter, Role, Schema, ValueLimits
from paramstore.schema.part import Part, WriteProtect


def part(capacity: int = 4096, page: int = 32) -> Part:
    """A part of any geometry; its other figures are those of no part."""
    return Part(
        name="any", maker="", capacity=capacity, page=page, address_bytes=2, block_bits=0,
        block_shift=0, write_ms=5, endurance=((25, 1e6),), retention_years=100,
        clocks=((2.5, 400),), write_protect=WriteProtect.WHOLE, write_ma=3, read_ma=1,
        standby_ua=1,
    )


def one(name: str, scalar: str, *default: Raw, kind: Kind = Kind.INTEGER, **more: Any) -> Parameter:
    """A parameter with one field of as many elements as defaults are given."""
    below = more.pop("below", None)
    field = Field(name, kind, SCALARS[scalar], len(default), default, **more)
    return Parameter(name, kind, (field,), below=below)


def plan_of(schema: Schema, slots: Sequence[int], room: Sequence[int]) -> Plan:
    """Lay the rings one after another behind the labels; the label pages come from the plan."""
    page = schema.part.page
    free = 2 * Plan(schema, (), 0, 0).label_pages
    rings = []
    for group, count, extra in zip(schema.groups, slots, room, strict=True):
        ring = Ring(group, free, count, 1, group.payload_bytes + extra, page)
        pages = -(-ring.record_bytes // page)
        rings.append(Ring(group, free, count, pages, ring.body_bytes, page))
        free += rings[-1].pages
    assert free <= schema.part.pages, "the part is too small for this test"
    store_id = crc32c(schema.name.encode())
    return Plan(schema, tuple(rings), store_id, layout_id(schema.part, rings, 0))


def layout_object(plan: Plan) -> dict[str, Any]:
    """The JSON object of FORMAT.md section 6 as plain data, for the independent decoder."""
    result: dict[str, Any] = json.loads(layout_text(plan.part, plan.rings, plan.previous_layout_id))
    return result


EXAMPLE = plan_of(
    Schema("pump_drive", part(capacity=1024, page=16), (
        Group("limits", 1, Role.CALIBRATION, 0.01, (
            one("current", "u16", 2500, unit="A", scale=Decimal("0.001"),
                limits=ValueLimits(((0, 4000),))),
            one("gain", "f32", 1.5, kind=Kind.FLOAT, limits=ValueLimits(((-10.0, 10.0),))),
            Parameter("flow", Kind.CURVE, (
                Field("flow.x", Kind.CURVE, SCALARS["u8"], 3, (0, 50, 100), rising=True),
                Field("flow.y", Kind.CURVE, SCALARS["i16"], 3, (-5, 300, 700), unit="l/h"),
            )),
        ), copies=2),
        Group("user", 7, Role.SETTING, 1.0, (
            one("name", "u8", *b"pump\0\0", kind=Kind.TEXT),
            one("low", "i8", -3, unit="degC", scale=Decimal("0.5"), offset=Decimal(20),
                below="high"),
            one("high", "i8", 4, unit="degC", scale=Decimal("0.5"), offset=Decimal(20)),
        )),
    )),
    slots=(3, 2), room=(2, 0),
)


def raws(scalar: Scalar) -> st.SearchStrategy[Raw]:
    """Any value a scalar can store."""
    if scalar.form is ScalarForm.FLOAT:
        return st.floats(width=scalar.size * 8, allow_nan=False, allow_infinity=False)
    return st.integers(int(scalar.minimum), int(scalar.maximum))


def same(a: dict[str, tuple[Raw, ...]], b: dict[str, tuple[Raw, ...]]) -> bool:
    """Whether two sets of raws are equal bit for bit: -0.0 is not 0.0."""
    def exact(raws: tuple[Raw, ...]) -> list[tuple[Raw, float]]:
        return [(r, math.copysign(1, r)) for r in raws]
    return {n: exact(r) for n, r in a.items()} == {n: exact(r) for n, r in b.items()}


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """Any store of up to four groups without limits, on any part that holds it."""
    groups = []
    ids = draw(st.lists(st.integers(1, 255), min_size=1, max_size=4, unique=True))
    for number, group_id in enumerate(ids):
        parameters = []
        for i in range(draw(st.integers(1, 5))):
            scalar = draw(st.sampled_from(list(SCALARS.values())))
            default = draw(st.lists(raws(scalar), min_size=1, max_size=6))
            parameters.append(one(f"p{i}", scalar.name, *default))
        groups.append(Group(f"g{number}", group_id, draw(st.sampled_from(Role)), 1.0,
                            tuple(parameters), copies=draw(st.integers(1, 2))))
    name = draw(st.text("abcé_", min_size=1, max_size=16))
    page = draw(st.sampled_from([8, 16, 32, 64, 128, 256]))
    slots = [draw(st.integers(2, 6)) for _ in groups]
    room = [draw(st.integers(0, 9)) for _ in groups]
    capacity = draw(st.sampled_from([32768, 131072]))
    return plan_of(Schema(name, part(capacity, page), tuple(groups)), slots, room)


@st.composite
def plans_with_values(draw: st.DrawFn) -> tuple[Plan, dict[str, dict[str, tuple[Raw, ...]]]]:
    """A plan and any values for all its fields."""
    plan = draw(plans())
    values = {
        ring.group.name: {
            f.name: tuple(draw(raws(f.scalar)) for _ in range(f.count)) for f in ring.group.fields
        }
        for ring in plan.rings
    }
    return plan, values
