"""What a unit has of its own, as its record keeps it: a line of TOML for each value.

Compares such texts value by value. Knows no tables and no database.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection

from paramstore.core.scalars import StoreRaws
from paramstore.image.values_out import toml_value
from paramstore.schema.from_raw import parameter_from_raw
from paramstore.schema.model import Schema

__all__ = ["changed", "lost", "others", "own_values"]

_SHOWN = 8
"""Values that are told of one unit; the rest is counted."""


def own_values(given: str) -> dict[str, str]:
    """Return the values by GROUP.PARAMETER, each as it is written in TOML."""
    values, group = {}, ""
    for line in given.split("\n"):
        name, equals, value = line.partition(" = ")
        if equals:
            values[f"{group}.{name}"] = value
        else:
            group = line.strip("[]")
    return values


def changed(before: str, now: str) -> tuple[str, ...]:
    """Tell each value that is not as it is on record."""
    old, new = own_values(before), own_values(now)
    return _some([f"{name}: {old.get(name, 'not')} on record, {new.get(name, 'not')} here"
                  for name in dict.fromkeys((*old, *new)) if old.get(name) != new.get(name)])


def others(before: str, now: str) -> tuple[str, ...]:
    """Name each value that only one of two batches gives, or that they give differently; a default
    that is given is one, for it makes a record."""
    old, new = own_values(before), own_values(now)
    return _some([f"{name} is given otherwise" if name in old and name in new else
                  f"{name} was {'' if name in old else 'not '}given then, and is "
                  f"{'' if name in new else 'not '}now"
                  for name in dict.fromkeys((*old, *new)) if old.get(name) != new.get(name)])


def lost(before: str, batch: str, now: str, schema: Schema,
         constants: StoreRaws,
         recorded: Collection[str]) -> tuple[str, ...]:
    """Tell each value that a unit has of its own since `batch`, and that `now` is silent about, so
    that the one of `constants` would stand in its place, or no record if its group is not among
    the `recorded` ones and `now` gives nothing of it."""
    old, new = own_values(before), own_values(now)
    given = {name.partition(".")[0] for name in new} | set(recorded)
    told = []
    for group in schema.groups:
        for parameter in group.parameters:
            name = f"{group.name}.{parameter.name}"
            if name not in old or name in new:
                continue
            if group.name not in given:
                told.append(f"{name}: {old[name]} in batch `{batch}`, no record now")
                continue
            raws = {f.name: constants[group.name][f.name] for f in parameter.fields}
            common = toml_value(parameter_from_raw(parameter, raws))
            if not _same(old[name], common):
                told.append(f"{name}: {old[name]} in batch `{batch}`, {common} now")
    return _some(told)


def _same(one: str, other: str) -> bool:
    """Return whether two texts are of one value, as 2 and 2.0 are; not if one is none."""
    try:
        return bool(tomllib.loads(f"x = {one}") == tomllib.loads(f"x = {other}"))
    except ValueError:
        return False


def _some(notes: list[str]) -> tuple[str, ...]:
    more = len(notes) - _SHOWN
    return (*notes[:_SHOWN], *([f"and {more} more"] if more > 0 else []))
