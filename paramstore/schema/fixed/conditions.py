"""When the blocks of a group are there: from its `when` to a `Condition` for each block."""

from __future__ import annotations

from collections.abc import Sequence

from paramstore.core.words import code_list, did_you_mean, plural
from paramstore.located.validator import CheckedTable
from paramstore.schema.bits import Bits, place_width
from paramstore.schema.fixed.keys import ORIGINS, RELATIONS, WHEN_KEYS
from paramstore.schema.fixed.model import Condition, Relation
from paramstore.schema.fixed.places import bits_of, read_bits

__all__ = ["read_conditions"]


def read_conditions(group: CheckedTable, starts: Sequence[int],
                    size: int) -> list[Condition] | None:
    """Return the condition of each block of a group, which begin at `starts`; None, with findings,
    if `when` is not sound."""
    validator = group.validator
    table = group.inner("when", WHEN_KEYS, f"`when` of {group.what}")
    if table is None or table.spoilt:
        return None
    before = len(validator.findings)
    origin = table.get("from", ORIGINS[0])
    if origin not in ORIGINS:
        validator.add("PS360", f"the addresses of `bits` cannot count from `{origin}`",
                      table.span("from"), help=did_you_mean(origin, ORIGINS, "choices"))
    given = [key for key in RELATIONS if key in table.values]
    if len(given) != 1:
        validator.add("PS359", f"{table.what} must have one of {code_list(RELATIONS, 'and')}",
                      table.span("when"),
                      help="write `is = VALUE` if the group is there with that value of the bits, "
                      "`not = VALUE` if it is there with any other")
    if len(validator.findings) > before:
        return None
    conditions = []
    for number, start in enumerate(starts):
        step = number if origin == "image" else 0
        found = _condition(table, given[0], 0 if origin == "image" else start, size, step)
        if found is None:
            return None
        conditions.append(found)
    return conditions


def _condition(table: CheckedTable, key: str, base: int, size: int, step: int) -> Condition | None:
    """Return the condition of a block; bits and counts are those of the first one and `step`."""
    place = read_bits(table, base, size)
    if place is None:
        return None
    number, width = table.get(key), place_width(place)
    if key == "bit":
        bits = bits_of(place)
        if number + step < len(bits):
            address, low = bits[-1 - number - step]
            return Condition((Bits(address, low, 1),), 1)
        table.add("PS359", f"bit {number + step} of {plural(width, 'bit')} is not there",
                  table.span(key), also=((table.span("bits"), ""),),
                  notes=(f"it is that of block {step + 1}",) if step else (),
                  help="name more bits, or give a smaller one")
        return None
    if key == "above":
        number += step
    if number < 1 << width:
        return Condition(place, number, Relation(key))
    table.add("PS359", f"`{key}` = {number} does not fit in {plural(width, 'bit')}",
              table.span(key), also=((table.span("bits"), ""),),
              notes=(f"it is that of block {step + 1}",) if step else (),
              help="name more bits, or give a smaller value")
    return None
