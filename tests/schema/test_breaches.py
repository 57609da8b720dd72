"""What firmware serves for values that cannot be: FORMAT.md, section 5."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS, Raw
from paramstore.schema.breaches import BreachKind, breaches, filled_text, rules_of, served
from paramstore.schema.model import Field, Group, Kind, Parameter, Role, ValueLimits
from tests.record.plans import one, raws
from tests.strategies import schemas

INF, NAN = float("inf"), float("nan")
BYTE = ValueLimits(((10, 90),))
REAL = ValueLimits(((-1.0, 1.0),))
MODE = {"kind": Kind.ENUM, "limits": ValueLimits(((0, 1), (4, 4))),
        "members": (("off", 0), ("on", 1), ("auto", 4))}
LIDS = {"kind": Kind.FLAGS, "limits": ValueLimits(mask=0b101), "members": (("lid", 0), ("fan", 2))}
BOOL: dict[str, Any] = {"kind": Kind.BOOL, "limits": ValueLimits(((0, 1),))}


def curve(name: str, x: tuple[Raw, ...], y: tuple[Raw, ...], scalar: str = "u8",
          limits: ValueLimits = BYTE) -> Parameter:
    """A curve with these defaults."""
    return Parameter(name, Kind.CURVE, (
        Field(f"{name}.x", Kind.CURVE, SCALARS[scalar], len(x), x, limits=limits, rising=True),
        Field(f"{name}.y", Kind.CURVE, SCALARS[scalar], len(y), y, limits=limits)))


GROUP = Group("g", 1, Role.SETTING, 1.0, (
    one("on", "u8", 1, **BOOL),
    one("ons", "u8", 0, 1, 0, array=True, **BOOL),
    one("mode", "u8", 4, **MODE),
    one("modes", "u8", 4, 0, array=True, **MODE),
    one("lids", "u8", 4, **LIDS),
    one("lidses", "u8", 4, 1, array=True, **LIDS),
    one("gain", "f32", 0.5, kind=Kind.FLOAT, limits=REAL),
    one("gains", "f32", 0.5, 0.25, 0.0, kind=Kind.FLOAT, array=True, limits=REAL),
    one("level", "u8", 60, limits=BYTE),
    one("levels", "u8", 60, 50, array=True, limits=BYTE),
    one("label", "u8", *b"tank\0\0", kind=Kind.TEXT),
    one("low", "i16", 5, below="high"),
    one("high", "i16", 10),
    one("lows", "i16", 5, 6, array=True, below="highs"),
    one("highs", "i16", 10, 11, array=True),
    curve("flow", (10, 50, 90), (20, 30, 40)),
    curve("ramp", (0.0, 0.5), (0.0, 1.0), "f32", REAL),
))
DEFAULTS = {f.name: f.default for f in GROUP.fields}

SOUND: dict[str, dict[str, tuple[Raw, ...]]] = {
    "a sound value": {"on": (0,), "mode": (1,), "lids": (5,), "gain": (-1.0,), "level": (90,)},
    "a text of all its bytes": {"label": tuple("tänke".encode())},
}
CASES: dict[str, tuple[dict[str, tuple[Raw, ...]], str]] = {
    # stored, and the parameters that get their defaults
    "bool 2": ({"on": (2,)}, "on"),
    "bool 2 in an array": ({"ons": (1, 2, 1)}, "ons"),
    "bool 255": ({"on": (255,)}, "on"),
    "an enum without a member": ({"mode": (3,)}, "mode"),
    "an enum without a member in an array": ({"modes": (1, 2)}, "modes"),
    "an unknown flag": ({"lids": (2,)}, "lids"),
    "an unknown flag beside a known one": ({"lids": (7,)}, "lids"),
    "an unknown flag in an array": ({"lidses": (1, 8)}, "lidses"),
    "NaN": ({"gain": (NAN,)}, "gain"),
    "NaN in an array": ({"gains": (0.75, NAN, 0.75)}, "gains"),
    "NaN on an axis": ({"ramp.x": (NAN, 0.75)}, "ramp"),
    "NaN on a curve": ({"ramp.y": (0.75, NAN)}, "ramp"),
    "infinite": ({"gain": (INF,)}, "gain"),
    "infinite below": ({"gain": (-INF,)}, "gain"),
    "infinite in an array": ({"gains": (INF, 0.75, 0.75)}, "gains"),
    "infinite on a curve": ({"ramp.y": (0.75, INF)}, "ramp"),
    "above its limits": ({"level": (91,)}, "level"),
    "below its limits": ({"level": (9,)}, "level"),
    "outside limits in an array": ({"levels": (20, 91)}, "levels"),
    "outside limits on an axis": ({"flow.x": (9, 20, 30), "flow.y": (11, 12, 13)}, "flow"),
    "outside limits on a curve": ({"flow.y": (91, 12, 13), "flow.x": (11, 12, 13)}, "flow"),
    "a broken `below`": ({"low": (8,), "high": (8,)}, "low high"),
    "a broken `below` in an array": ({"lows": (1, 9), "highs": (2, 9)}, "lows highs"),
    "an axis that does not rise": ({"flow.x": (20, 20, 30), "flow.y": (11, 12, 13)}, "flow"),
    "a falling axis of floats": ({"ramp.x": (0.75, 0.25)}, "ramp"),
    "no UTF-8": ({"label": tuple(b"t\xffnk\0\0")}, "label"),
    "a cut character at the end": ({"label": (*tuple("tankä".encode()[:6])[:5], 195)}, "label"),
}


@pytest.mark.parametrize("name", SOUND)
def test_sound_values_are_served_as_they_are(name: str) -> None:
    """What keeps limits and rules is nobody's business."""
    stored = {**DEFAULTS, **SOUND[name]}
    assert (stored, ()) == served(GROUP, stored)


@pytest.mark.parametrize("name", CASES)
def test_what_cannot_be_is_served_as_the_default(name: str) -> None:
    """Of the whole parameter, all elements, x and y; and of no other one."""
    given, names = CASES[name]
    stored = {**DEFAULTS, "highs": (20, 21), "level": (33,), "label": tuple(b"other\0"), **given}
    became = served(GROUP, stored)
    reset = {f.name for n in names.split() for f in GROUP.parameter(n).fields}
    assert {n: DEFAULTS[n] if n in reset else raws for n, raws in stored.items()} == became.values
    assert tuple(names.split()) == became.defaulted
    assert repr(stored) == repr(became.resets[0].values)


def test_what_stands_behind_the_end_of_a_text_does_not_count() -> None:
    """It is served with 00, whatever it was, and nothing is told of it."""
    became = served(GROUP, {**DEFAULTS, "label": tuple(b"new\0\xff!")})
    assert (tuple(b"new\0\0\0"), ()) == (became.values["label"], became.resets)
    assert [] == list(breaches(GROUP, {**DEFAULTS, "label": tuple(b"new\0\xff!")}))


def test_a_default_may_break_a_rule_with_a_stored_value() -> None:
    """Then both have their defaults: the one outside its limits first, its partner after it."""
    group = Group("g", 1, Role.SETTING, 1.0, (
        one("low", "u8", 50, limits=ValueLimits(((0, 60),)), below="high"), one("high", "u8", 100)))
    became = served(group, {"low": (70,), "high": (40,)})
    assert {"low": (50,), "high": (100,)} == became.values
    assert [(BreachKind.LIMIT, ("low",)), (BreachKind.BELOW, ("low", "high"))] == [
        (r.breach.kind, tuple(p.name for p in r.parameters)) for r in became.resets]
    assert {"low": (50,), "high": (40,)} == became.resets[1].values


def test_defaults_that_break_a_rule_end_it_too() -> None:
    """No schema has such, but a file of a release may say anything."""
    group = Group("g", 1, Role.SETTING, 1.0, (one("low", "u8", 9, below="high"),
                                              one("high", "u8", 1)))
    assert {"low": (9,), "high": (1,)} == served(group, {"low": (3,), "high": (2,)}).values


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_what_is_served_keeps_everything(data: st.DataObject) -> None:
    """Whatever bytes a record holds: all limits and rules are kept, serving again changes nothing,
    what is not a default is as it was stored, and a default has its reason."""
    schema = data.draw(schemas())
    for group in schema.groups:
        stored = {f.name: tuple(data.draw(raws(f.scalar) | st.sampled_from(f.default))
                                for _ in range(f.count)) for f in group.fields}
        became = served(group, stored)
        assert [] == list(breaches(group, became.values))
        assert (became.values, ()) == served(group, became.values)
        for p in group.parameters:
            for f in p.fields:
                as_stored = filled_text(stored[f.name]) if f.kind is Kind.TEXT else stored[f.name]
                if p.name in became.defaulted:
                    assert f.default == became.values[f.name]
                else:
                    assert as_stored == became.values[f.name]
        assert bool(became.resets) == any(True for _ in breaches(group, stored))


def test_rules_come_in_the_order_of_the_tables() -> None:
    """`below` of a parameter before the axis it may have, parameters in schema order."""
    assert [("low", "high"), ("lows", "highs"), ("flow.x", "flow.x"), ("ramp.x", "ramp.x")] == [
        (r.low.name, r.high.name) for r in rules_of(GROUP)]
