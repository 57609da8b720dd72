"""Edits of a released store that must be refused, each with its code.

Each function makes one such edit of a `Store` that was just released; it returns None if there is
nothing in the store that it could be made of. Some change the text instead, where `Store` cannot
say a thing.
"""

from __future__ import annotations

import random
from collections.abc import Callable

from tests.releases.edits import Group, Parameter, Store

__all__ = ["WRONG_EDITS"]

Place = tuple[str, Group, str, Parameter]


def places(store: Store, *types: str) -> list[Place]:
    return [(g, group, n, p) for g, group in store.groups.items()
            for n, p in group.parameters.items() if not types or p.keys["type"] in types]


def drop_parameter(store: Store, rng: random.Random) -> str | None:
    found = [p for p in places(store) if len(p[1].parameters) > 1]
    if not found:
        return None
    _, group, name, _ = rng.choice(found)
    del group.parameters[name]
    return store.text()


def drop_group(store: Store, rng: random.Random) -> str | None:
    if len(store.groups) < 2:
        return None
    del store.groups[rng.choice(list(store.groups))]
    return store.text()


def retire_what_never_was(store: Store, rng: random.Random) -> str | None:
    if rng.randrange(2):
        store.retired.append("never")
    else:
        rng.choice(list(store.groups.values())).retired.append("never")
    return store.text()


def retire_and_keep(store: Store, rng: random.Random) -> str | None:
    name, group, parameter, _ = rng.choice(places(store))
    if rng.randrange(2):
        store.retired.append(name)
    else:
        group.retired.append(parameter)
    return store.text()


def was_nobody(store: Store, rng: random.Random) -> str | None:
    group = rng.choice(list(store.groups.values()))
    was = rng.choice(("nobody", "nowhere.nobody", f"{next(iter(store.groups))}.nobody"))
    group.parameters["added"] = Parameter({"type": "u8"}, was=was)
    return store.text()


def was_twice(store: Store, rng: random.Random) -> str | None:
    name, group, parameter, p = rng.choice(places(store))
    del group.parameters[parameter]
    for heir in ("one", "two"):
        group.parameters[heir] = Parameter(dict(p.keys), was=f"{name}.{parameter}")
    return store.text()


def name_is_taken(store: Store, rng: random.Random) -> str | None:
    found = [p for p in places(store) if len(p[1].parameters) > 1]
    if not found:
        return None
    _, group, name, _ = rng.choice(found)
    other = next(n for n in group.parameters if n != name)
    group.parameters[name] = Parameter(group.parameters.pop(other).keys, was=other)
    return store.text()


def another_unit(store: Store, rng: random.Random) -> str | None:
    found = places(store, "u8", "u16", "u32", "i8", "i16", "i32", "f32", "f64")
    if not found:
        return None
    rng.choice(found)[3].keys["unit"] = "furlong"
    return store.text()


def another_kind(store: Store, rng: random.Random) -> str | None:
    _, group, name, parameter = rng.choice(places(store))
    group.parameters[name] = Parameter(
        {"type": "u8"} if parameter.keys["type"] in ("text", "bytes", "bool", "date", "curve",
                                                     "enum", "flags")
        else {"type": "text", "size": 3})
    return store.text()


def shrink(store: Store, rng: random.Random) -> str | None:
    found = [p for p in places(store, "text", "bytes") if p[3].keys["size"] > 2]
    curves = places(store, "curve")
    if not found + curves:
        return None
    keys = rng.choice(found + curves)[3].keys
    if "size" in keys:
        keys["size"] -= 1
    else:
        keys |= {"points": 2, "default": "[[0, 0], [5, 9]]"}
    return store.text()


def reuse_a_number(store: Store, rng: random.Random) -> str | None:
    found = places(store, "enum", "flags")
    if not found:
        return None
    members = rng.choice(found)[3].keys["members"]
    name = rng.choice(list(members))
    members["other"] = members.pop(name)
    return store.text()


def too_much(store: Store, rng: random.Random) -> str | None:
    group = rng.choice(list(store.groups.values()))
    group.parameters["bulk"] = Parameter({"type": "u32", "count": 60})
    return store.text()


def another_part(store: Store, rng: random.Random) -> str | None:
    store.part = rng.choice(("24LC64", "24LC16B", "24LC128"))
    return store.text()


def another_name(store: Store, rng: random.Random) -> str | None:
    store.name += "x"
    return store.text()


def _in_group(store: Store, rng: random.Random, line: str) -> str:
    name = rng.choice(list(store.groups))
    return store.text().replace(f"[group.{name}]\n", f"[group.{name}]\n{line}\n")


def another_id(store: Store, rng: random.Random) -> str | None:
    return _in_group(store, rng, "id = 200")


def another_ring(store: Store, rng: random.Random) -> str | None:
    return _in_group(store, rng, rng.choice(("slots = 17", "slots = 30")))


def both_ways(store: Store, rng: random.Random) -> str | None:
    found = [p for p in places(store) if len(p[1].parameters) > 1]
    homes = {name for name, *_ in found}
    if len(homes) < 2:
        return None
    one, other = rng.sample(sorted(homes), 2)
    for source, target in ((one, other), (other, one)):
        name = next(n for g, _, n, _ in found if g == source)
        parameter = store.groups[source].parameters.pop(name)
        parameter.was = f"{source}.{name}"
        store.groups[target].parameters[f"{name}x"] = parameter
    return store.text()


def another_series(store: Store, rng: random.Random) -> str | None:
    store.series += rng.randint(2, 15 - store.series)
    return store.text()


WRONG_EDITS: dict[str, Callable[[Store, random.Random], str | None]] = {
    "PS720": drop_parameter, "PS721": drop_group, "PS722": retire_what_never_was,
    "PS723": retire_and_keep, "PS724": was_nobody, "PS725": was_twice, "PS726": name_is_taken,
    "PS727": another_unit, "PS728": another_kind, "PS729": shrink, "PS730": reuse_a_number,
    "PS731": too_much, "PS732": another_part, "PS733": another_name, "PS734": another_id,
    "PS735": another_ring, "PS739": both_ways, "PS740": another_series,
}
"""By the code that each must be refused with. PS736 and PS738 have tests of their own: numbers of
64 bits, and the 256th revision."""
