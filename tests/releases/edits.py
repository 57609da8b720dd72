"""Random histories for tests: schema texts, each one made from the one before by legal edits.

A `Store` is a schema as plain data that can be edited and written as TOML. Every edit here is one
that a released store allows, as long as there is room; `ROOM` has the codes of those limits.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

__all__ = ["ROOM", "Store", "edited", "new_store", "settled", "without_rules"]

ROOM = {"PS407", "PS731", "PS736", "PS739"}
"""Legal edits can still need more bytes, pages or digits than there are, or a third group."""

BITS = {f"{s}{b}": b for s in "ui" for b in (8, 16, 32, 64)}
NUMBERS = ("u8", "u16", "u32", "i8", "i16", "i32", "f32", "f64")
SCALES = ("1", "0.5", "0.1", "0.01")
UNITS = ("", "mV", "V", "s")
FACTORS = ("1", "0.001", "1000", "60", "0.5")
OFFSETS = ("0", "0", "-5", "273.15")
BARE = ("scale", "offset", "factor", "divisor", "min", "max", "default")
MEMBERS = ("off", "low", "mid", "high", "full", "test")


@dataclass
class Parameter:
    """Keys and values as the schema has them; `convert` and `was` hold for one release."""

    keys: dict[str, Any]
    was: str = ""
    convert: dict[str, str] = field(default_factory=dict)
    fresh: bool = False  # changed in this release already: one edit at a time
    numbers: int = 0  # of members that were ever used


@dataclass
class Group:
    """Parameters by name."""

    role: str
    parameters: dict[str, Parameter]
    was: str = ""
    retired: list[str] = field(default_factory=list)


@dataclass
class Store:
    """Groups by name. `names` counts the names that were given, so that none comes twice."""

    name: str
    groups: dict[str, Group]
    retired: list[str] = field(default_factory=list)
    names: int = 0
    part: str = "24LC32A"
    series: int = 0
    room: int = 60

    def fresh_name(self, stem: str) -> str:
        self.names += 1
        return f"{stem}{self.names}"

    def text(self) -> str:
        """The schema as TOML."""
        lines = ["[store]", f'name = "{self.name}"', f'part = "{self.part}"',
                 f"series = {self.series}"]
        lines += [f"retired_groups = {self.retired}".replace("'", '"')] * bool(self.retired)
        for name, group in self.groups.items():
            lines += ["", f"[group.{name}]", f'role = "{group.role}"', 'writes = "1 per day"',
                      f"room = {self.room}"]
            lines += [f'was = "{group.was}"'] * bool(group.was)
            lines += [f"retired = {group.retired}".replace("'", '"')] * bool(group.retired)
            lines.append(f"[group.{name}.parameter]")
            lines += [f"{n} = {_table(p)}" for n, p in group.parameters.items()]
        return "\n".join(lines) + "\n"


def _table(parameter: Parameter) -> str:
    keys = dict(parameter.keys)
    if parameter.was:
        keys["was"] = parameter.was
    if parameter.convert:
        keys["convert"] = dict(parameter.convert)
    return "{ " + ", ".join(f"{k} = {_value(k, v)}" for k, v in keys.items()) + " }"


def _value(key: str, value: Any) -> str:
    if isinstance(value, dict):
        inner = ", ".join(f"{k} = {_value(k, v)}" for k, v in value.items())
        return "{ " + inner + " }"
    return str(value) if isinstance(value, int) or key in BARE else f'"{value}"'


# ---- New ones -----------------------------------------------------------------------------------


def new_store(rng: random.Random, name: str) -> Store:
    """A store of two or three groups."""
    store = Store(name, {})
    for _ in range(rng.randint(2, 3)):
        _new_group(store, rng)
    _settle(store)
    return store


def _new_group(store: Store, rng: random.Random) -> Group:
    group = Group(rng.choice(("setting", "calibration", "counter")), {})
    store.groups[store.fresh_name("g")] = group
    for _ in range(rng.randint(1, 4)):
        _append(store, group, rng)
    return group


def _append(store: Store, group: Group, rng: random.Random) -> None:
    group.parameters[store.fresh_name("p")] = _new_parameter(rng)


def _new_parameter(rng: random.Random) -> Parameter:
    match rng.randrange(8):
        case 0:
            return Parameter({"type": "text", "size": rng.randint(2, 6), "default": Quoted("ab")},
                             fresh=True)
        case 1:
            return Parameter({"type": "bytes", "size": rng.randint(1, 4)}, fresh=True)
        case 2 | 3:
            count = rng.randint(1, 4)
            return Parameter({"type": rng.choice(("enum", "flags")),
                              "members": {n: i for i, n in enumerate(MEMBERS[:count])}},
                             fresh=True, numbers=count)
        case 4:
            return Parameter({"type": rng.choice(("bool", "date"))}, fresh=True)
        case 5:
            axes = {axis: {"type": rng.choice(("u16", "i32", "f32")), "unit": rng.choice(UNITS)}
                    for axis in "xy"}
            return Parameter({"type": "curve", "points": 3, **axes,
                              "default": "[[0, 0], [5, 9], [8, 1]]"}, fresh=True)
        case _:
            parameter = Parameter({"type": rng.choice(NUMBERS)}, fresh=True)
            if rng.randrange(3) == 0:
                parameter.keys["count"] = rng.randint(2, 3)
            _scale(parameter, rng)
            _limits(parameter, rng)
            return parameter


class Quoted(str):
    """A default that is a text."""

    __slots__ = ()

    def __str__(self) -> str:
        return f'"{super().__str__()}"'


def _scale(parameter: Parameter, rng: random.Random) -> None:
    keys = parameter.keys
    keys.pop("scale", None)
    keys.pop("offset", None)
    if keys["type"] in BITS and rng.randrange(2):
        keys["scale"] = rng.choice(SCALES)
        keys["offset"] = Decimal(rng.randint(-3, 0)) * Decimal(keys["scale"])


def _limits(parameter: Parameter, rng: random.Random) -> None:
    """Give limits and a default that the stored type can hold."""
    keys = parameter.keys
    for key in ("min", "max", "default"):
        keys.pop(key, None)
    step = Decimal(keys.get("scale", "1"))
    zero = Decimal(keys.get("offset", 0))
    low = -20 if keys["type"][0] in "if" else 0
    raws = sorted(rng.randint(low, 120) for _ in range(3))
    if rng.randrange(3):
        keys["min"], keys["default"], keys["max"] = (zero + step * raw for raw in raws)
    else:
        keys["default"] = zero + step * raws[1]


# ---- Edits --------------------------------------------------------------------------------------

Edit = Callable[[Store, str, Group, str, Parameter, random.Random], None]


def edited(store: Store, rng: random.Random) -> Store:
    """A copy of a store with one to four legal edits, ready for the next release."""
    new = deepcopy(store)
    for _ in range(rng.randint(1, 4)):
        if rng.randrange(4) == 0:
            _edit_groups(new, rng)
            continue
        places = [(g, n) for g, group in new.groups.items()
                  for n, p in group.parameters.items() if not p.fresh]
        if places:
            name, parameter = rng.choice(places)
            group = new.groups[name]
            changed = group.parameters[parameter]
            changed.fresh = True
            edit = rng.choice(_edits_of(changed))
            if edit not in (_rename, _relimit):
                _unrule(group, parameter)
            edit(new, name, group, parameter, changed, rng)
    return new


def _settle(store: Store) -> None:
    """What was said about the step to a release holds for that one only."""
    for group in store.groups.values():
        group.was = ""
        for parameter in group.parameters.values():
            parameter.was, parameter.convert, parameter.fresh = "", {}, False
            for axis in "xy":
                parameter.keys.get(axis, {}).pop("convert", None)


def settled(store: Store) -> Store:
    """A copy of a released store, to be edited further."""
    new = deepcopy(store)
    _settle(new)
    return new


def _edit_groups(store: Store, rng: random.Random) -> None:
    name, group = rng.choice(list(store.groups.items()))
    match rng.randrange(8):
        case 4 | 5:
            _new_rule(store, group, rng)
        case 6 | 7:
            _rule_between(group, rng)
        case 0 | 1:
            _append(store, group, rng)
        case 2 if not group.was and not any(p.fresh for p in group.parameters.values()):
            del store.groups[name]
            group.was = name
            store.groups[store.fresh_name("g")] = group
        case 3 if len(store.groups) > 2 and not group.was and not any(
                p.fresh for p in group.parameters.values()):
            del store.groups[name]
            store.retired.append(name)
        case _:
            _new_group(store, rng)


def _rename(store: Store, name: str, group: Group, old: str, parameter: Parameter,
            rng: random.Random) -> None:
    del group.parameters[old]
    parameter.was = old
    new = store.fresh_name("p")
    group.parameters[new] = parameter
    for other in group.parameters.values():
        if other.keys.get("below") == old:
            other.keys["below"] = new


def _retire(store: Store, name: str, group: Group, old: str, parameter: Parameter,
            rng: random.Random) -> None:
    if len(group.parameters) > 1:
        del group.parameters[old]
        group.retired.append(old)


def _move(store: Store, name: str, group: Group, old: str, parameter: Parameter,
          rng: random.Random) -> None:
    """To another group, or to a new one; with some luck it changes on the way."""
    if len(group.parameters) < 2 or group.was:
        return
    if rng.randrange(3) == 0:
        target = Group(group.role, {})
        store.groups[store.fresh_name("g")] = target
    else:
        target = rng.choice([g for g in store.groups.values() if g is not group] or [group])
    if target is group:
        return
    del group.parameters[old]
    if rng.randrange(2):
        rng.choice(_value_edits(parameter))(store, name, group, old, parameter, rng)
    parameter.was = f"{name}.{old}"
    target.parameters[store.fresh_name("p")] = parameter


def _retype(store: Store, name: str, group: Group, old: str, parameter: Parameter,
            rng: random.Random) -> None:
    parameter.keys["type"] = rng.choice(NUMBERS)
    _scale(parameter, rng)
    _limits(parameter, rng)


def _relimit(store: Store, name: str, group: Group, old: str, parameter: Parameter,
             rng: random.Random) -> None:
    if not _limited_in_order(group, parameter, rng):
        _unrule(group, old)


# ---- Rules --------------------------------------------------------------------------------------

COMPARED = ("type", "count", "scale", "offset", "unit")


def _limited_in_order(group: Group, parameter: Parameter, rng: random.Random) -> bool:
    """Give new limits and a default; False if no default was found that keeps the rules."""
    for _ in range(20):
        _limits(parameter, rng)
        defaults = {n: p.keys.get("default") for n, p in group.parameters.items()}
        if all(defaults[n] < defaults[p.keys["below"]] for n, p in group.parameters.items()
               if "below" in p.keys):
            return True
    return False


def _unrule(group: Group, name: str) -> None:
    """Take a parameter out of all rules."""
    group.parameters[name].keys.pop("below", None)
    for other in group.parameters.values():
        if other.keys.get("below") == name:
            del other.keys["below"]


def without_rules(store: Store) -> Store:
    """A copy in which no parameter must be below another one."""
    new = deepcopy(store)
    for group in new.groups.values():
        for parameter in group.parameters.values():
            parameter.keys.pop("below", None)
    return new


def _numbers(group: Group) -> list[str]:
    return [n for n, p in group.parameters.items() if p.keys["type"] in NUMBERS]


def _new_rule(store: Store, group: Group, rng: random.Random) -> None:
    """A new parameter below or above an old one."""
    if not (names := _numbers(group)):
        return
    partner = rng.choice(names)
    new, name = Parameter({}, fresh=True), store.fresh_name("p")
    of = group.parameters[partner].keys
    new.keys |= {key: of[key] for key in COMPARED if key in of}
    group.parameters[name] = new
    low, high = rng.choice(((name, partner), (partner, name)))
    if "below" not in group.parameters[low].keys:
        group.parameters[low].keys["below"] = high
    if not _limited_in_order(group, new, rng):
        _unrule(group, name)


def _rule_between(group: Group, rng: random.Random) -> None:
    """A rule between two old parameters, or one rule less."""
    names = _numbers(group)
    if len(names) < 2:
        return
    low, high = rng.sample(names, 2)
    one, other = (group.parameters[n].keys for n in (low, high))
    if "below" in one:
        del one["below"]
        return
    if any(one.get(key) != other.get(key) for key in COMPARED):
        return
    if one["default"] < other["default"]:  # so no circle comes of it
        one["below"] = high


def _reunite(store: Store, name: str, group: Group, old: str, parameter: Parameter,
             rng: random.Random) -> None:
    unit = rng.choice([u for u in UNITS if u != parameter.keys.get("unit", "")])
    parameter.keys["unit"] = unit
    parameter.convert = {"factor": rng.choice(FACTORS), "offset": rng.choice(OFFSETS)}
    if rng.randrange(4) == 0:
        parameter.convert["divisor"] = rng.choice(("60", "7", "0.3"))
    if rng.randrange(2):
        _retype(store, name, group, old, parameter, rng)


def _recount(store: Store, name: str, group: Group, old: str, parameter: Parameter,
             rng: random.Random) -> None:
    if "count" in parameter.keys:
        parameter.keys["count"] = rng.randint(1, 5)


def _grow(store: Store, name: str, group: Group, old: str, parameter: Parameter,
          rng: random.Random) -> None:
    parameter.keys["size"] += rng.randint(1, 4)


def _add_member(store: Store, name: str, group: Group, old: str, parameter: Parameter,
                rng: random.Random) -> None:
    parameter.keys["members"][store.fresh_name("m")] = parameter.numbers
    parameter.numbers += 1


def _drop_member(store: Store, name: str, group: Group, old: str, parameter: Parameter,
                 rng: random.Random) -> None:
    members = parameter.keys["members"]
    if len(members) > 1:
        del members[rng.choice(list(members))]


def _rename_member(store: Store, name: str, group: Group, old: str, parameter: Parameter,
                   rng: random.Random) -> None:
    was = rng.choice(list(parameter.keys["members"]))
    now = store.fresh_name("m")
    parameter.convert = {was: now}
    parameter.keys["members"] = {
        now if n == was else n: v for n, v in parameter.keys["members"].items()}


def _renumber(store: Store, name: str, group: Group, old: str, parameter: Parameter,
              rng: random.Random) -> None:
    """Store members in wider numbers, and number them anew."""
    parameter.keys["storage"] = "u32" if parameter.keys.get("storage") == "u16" else "u16"
    names = list(parameter.keys["members"])
    rng.shuffle(names)
    first = rng.randint(0, 2)
    parameter.keys["members"] = {n: first + i for i, n in enumerate(names)}
    parameter.numbers = first + len(names)
    if parameter.keys["type"] == "flags":
        parameter.numbers = min(parameter.numbers, 15)


def _redraw(store: Store, name: str, group: Group, old: str, parameter: Parameter,
            rng: random.Random) -> None:
    """Store an axis in another way, or in another unit."""
    axis = parameter.keys[rng.choice("xy")]
    axis["type"] = rng.choice(("u16", "u32", "i32", "f32", "f64"))
    if rng.randrange(2):
        axis["unit"] = "V" if axis["unit"] != "V" else "mV"
        axis["convert"] = {"factor": rng.choice(("0.001", "1000", "1")), "offset": "0"}


def _value_edits(parameter: Parameter) -> list[Edit]:
    match parameter.keys["type"]:
        case "enum" | "flags":
            return [_add_member, _drop_member, _rename_member, _renumber]
        case "text" | "bytes":
            return [_grow]
        case "curve":
            return [_redraw]
        case "bool" | "date":
            return [_recount]
    return [_retype, _relimit, _reunite, _recount]


def _edits_of(parameter: Parameter) -> list[Edit]:
    return [_rename, _retire, _move, *_value_edits(parameter), *_value_edits(parameter)]
