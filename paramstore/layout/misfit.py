"""Why a store does not fit its part, and what would make it fit.

Every way out that a finding offers was tried: the part, the life and the rate it names have been
laid out. Works on demands; no Plan exists yet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial

from paramstore.core.errors import Finding
from paramstore.core.format import OVERHEAD_BYTES, SEQUENCE_FULL
from paramstore.core.words import plural
from paramstore.layout.arrange import (
    arrange,
    open_pages,
    pages_for_rings,
    protected_places,
)
from paramstore.layout.demand import Demand, demands_of, records_in_life
from paramstore.layout.physics import DAYS_PER_YEAR, endurance_at
from paramstore.schema.catalogue import search
from paramstore.schema.model import Group, Schema
from paramstore.schema.part import Part

__all__ = ["explain_crowding", "explain_misfit", "fits", "impossible_groups", "longest_life",
           "smallest_part"]

LAST_SEQUENCE = SEQUENCE_FULL - 1
SLOT_LIMIT_BYTES = 0xFFFF
"""The firmware's tables count the bytes of a slot in 16 bits."""
PERIODS_DAYS = (
    ("hour", 1 / 24), ("day", 1.0), ("week", 7.0),
    ("month", DAYS_PER_YEAR / 12), ("year", DAYS_PER_YEAR),
)


def fits(schema: Schema) -> bool:
    """Return whether `schema` can be laid out."""
    return not impossible_groups(schema) and arrange(schema.part, demands_of(schema)) is not None


def impossible_groups(schema: Schema) -> list[Finding]:
    """Return the errors of groups that could not be laid out on any free page."""
    checks = (_too_few_slots, _too_long, _too_many_records)
    return [f for d in demands_of(schema) for check in checks if (f := check(schema, d))]


def explain_misfit(schema: Schema) -> Finding:
    """Return the one error that says why `schema`, free of impossible groups, does not fit."""
    demands = demands_of(schema)
    lean = [d._replace(slots=min(d.slots, d.least)) if d.group.slots is None else d
            for d in demands]
    cold = arrange(schema.part, lean) is None  # writing seldom would not help
    wanted = lean if cold else demands
    if sum(d.pages for d in wanted) > pages_for_rings(schema.part):
        return _too_large(schema, lean) if cold else _too_hot(schema, demands)
    inside = protected_places(schema.part, wanted)
    outside = [d for d in wanted if d.group.id not in inside]
    if sum(d.pages for d in outside) > open_pages(schema.part):
        return _open_area_too_small(schema, outside)
    return _middle_in_the_way(schema, wanted)


def explain_crowding(schema: Schema, new: Sequence[Demand],
                     taken: Sequence[tuple[int, int]]) -> Finding:
    """Return the error that says why new groups do not fit beside released ones."""
    largest = max(new, key=lambda d: (d.pages, -d.group.id))
    left = pages_for_rings(schema.part) - sum(end - first for first, end in taken)
    return Finding(
        "PS407",
        f"{plural(sum(d.pages for d in new), 'page')} are needed for new groups, the released "
        f"ones leave {left}",
        schema.source, largest.group.span,
        label=f"the largest: {_extent(largest)}",
        notes=("released rings stay where they are", _shares(new)),
        help="make the new group smaller or write it less often; " + anew_help(schema),
    )


def anew_help(schema: Schema) -> str:
    """Return the way out of everything that released units hold fast."""
    return (f"or begin a new series, `series = {schema.series + 1}` in [store]: units in the field "
            "are laid out anew on the host then, by `paramstore migrate --relayout`")


def smallest_part(schema: Schema) -> Part | None:
    """Return the smallest catalogue part that `schema` fits on, at its supply and bus speed; a
    plain EEPROM if there is one."""
    candidates = search(supply_v=schema.supply_v, bus_khz=schema.bus_khz)
    for part in sorted(candidates, key=lambda p: (not p.plain, p.capacity, p.page)):
        if fits(replace(schema, part=part)):
            return part
    return None


def longest_life(schema: Schema) -> float | None:
    """Return the longest life in years, in steps of 0.1, that `schema` fits with; None if none."""
    steps = int(schema.life_years * 10)
    most = _most(steps, lambda n: fits(replace(schema, life_years=n / 10)))
    return most / 10 if most else None


def highest_rate(schema: Schema, group: Group) -> str | None:
    """Return how often `group` may be written at most, such as `20 per hour`; None if never."""
    def fits_per(days: float, count: int) -> bool:
        groups = tuple(replace(g, writes_per_day=count / days) if g.id == group.id else g
                       for g in schema.groups)
        return fits(replace(schema, groups=groups))

    for name, days in PERIODS_DAYS:
        if most := _most(int(group.writes_per_day * days), partial(fits_per, days)):
            return f"{most} per {name}"
    return None


def _most(limit: int, works: Callable[[int], bool]) -> int:
    """Return the largest n in 0..limit that works, given that smaller ones do too; 0 is free."""
    low, high = 0, limit
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if works(middle) else (low, middle - 1)
    return low


def _too_few_slots(schema: Schema, demand: Demand) -> Finding | None:
    group = demand.group
    if demand.slots > group.copies:
        return None
    what = "one record" if group.copies == 1 else f"{group.copies} copies"
    return Finding(
        "PS403",
        f"group `{group.name}` has {plural(demand.slots, 'slot')}, too few for {what}",
        schema.source, group.span,
        notes=("a commit never writes the slot of the newest record",),
        help=f"give it at least {group.copies + 1} slots, or leave `slots` out",
    )


def _too_long(schema: Schema, demand: Demand) -> Finding | None:
    if demand.slot_pages * schema.part.page <= SLOT_LIMIT_BYTES:
        return None
    return Finding(
        "PS404",
        f"a record of group `{demand.group.name}` has {demand.body_bytes + OVERHEAD_BYTES} bytes, "
        "too many for a slot",
        schema.source, demand.group.span,
        notes=(f"a slot holds at most {SLOT_LIMIT_BYTES} bytes in whole pages",),
        help="split the group",
    )


def _too_many_records(schema: Schema, demand: Demand) -> Finding | None:
    group = demand.group
    if records_in_life(group, schema) <= LAST_SEQUENCE:
        return None
    return Finding(
        "PS406",
        f"group `{group.name}` is written more often than records can be numbered",
        schema.source, group.span,
        label=_records(schema, group),
        notes=(f"sequence numbers end at {LAST_SEQUENCE:,} and never wrap",),
        help="write it less often",
    )


def _too_large(schema: Schema, lean: Sequence[Demand]) -> Finding:
    largest = max(lean, key=lambda d: (d.pages, -d.group.id))
    need, room = sum(d.pages for d in lean), pages_for_rings(schema.part)
    return Finding(
        "PS401",
        f"the groups of `{schema.name}` need at least {need} pages, "
        f"the {schema.part.name} has {room} for them",
        schema.source, largest.group.span,
        label=f"the largest: {_extent(largest)}",
        notes=(f"{schema.part.pages} pages of {schema.part.page} bytes, "
               f"{schema.part.pages - room} of them for the label", _shares(lean)),
        help=_ways_out(schema, _smaller(schema, demands_of(schema), largest.group.name)),
    )


def _too_hot(schema: Schema, demands: Sequence[Demand]) -> Finding:
    hottest = max(demands, key=lambda d: (d.pages - d.least * d.slot_pages, -d.group.id))
    group, room = hottest.group, pages_for_rings(schema.part)
    left = room - sum(d.pages for d in demands if d is not hottest)
    endurance = endurance_at(schema.part, schema.temperature_c)
    ways = []
    from paramstore.layout.split import best_split

    split = best_split(group, schema)
    if split and split.pages <= left:
        ways.append(f"{split.words}: that needs {split.pages} pages")
    if rate := highest_rate(schema, group):
        ways.append(f"write `{group.name}` at most {rate}")
    if life := longest_life(schema):
        ways.append(f"ask for a life of {life:g} years")
    return Finding(
        "PS402",
        f"group `{group.name}` is written too often: it needs {_extent(hottest)}, "
        f"the {schema.part.name} has {max(left, 0)} left for it",
        schema.source, group.span,
        label=_records(schema, group),
        notes=(f"a page of the {schema.part.name} endures {endurance:,.0f} writes at "
               f"{schema.temperature_c:g} degC", _shares(demands)),
        help=_ways_out(schema, ways),
    )


def _open_area_too_small(schema: Schema, outside: Sequence[Demand]) -> Finding:
    part = schema.part
    largest = max(outside, key=lambda d: (d.pages, -d.group.id))
    return Finding(
        "PS405",
        f"outside the write-protectable area the groups need {sum(d.pages for d in outside)} "
        f"pages, the {part.name} has {open_pages(part)} there",
        schema.source, largest.group.span,
        label=f"the largest: {_extent(largest)}",
        notes=(f"its write-protect pin covers the {part.write_protect.value}", _shares(outside)),
        help=_ways_out(schema, []),
    )


def _middle_in_the_way(schema: Schema, demands: Sequence[Demand]) -> Finding:
    part = schema.part
    widest = max(demands, key=lambda d: (d.slot_pages, d.pages, -d.group.id))
    return Finding(
        "PS408",
        f"the groups of `{schema.name}` need {sum(d.pages for d in demands)} of "
        f"{plural(pages_for_rings(part), 'page')}, but cannot be placed with a slot boundary at "
        f"0x{part.capacity // 2:04X}",
        schema.source, widest.group.span,
        label=f"the widest: {_extent(widest)}",
        notes=("mount looks there for the label, which tells a part of half the size",
               _shares(demands)),
        help=_ways_out(schema, _smaller(schema, demands, widest.group.name)),
    )


def _ways_out(schema: Schema, ways: list[str]) -> str:
    part = smallest_part(schema)
    if part is None:
        return "; or ".join(ways) + "; " * bool(ways) + (
            "no part of the catalogue takes this store as it is")
    smallest = f"use the {part.name} ({part.capacity} bytes, the smallest that fits)"
    return "; or ".join([smallest, *ways])


def _smaller(schema: Schema, demands: Sequence[Demand], name: str) -> list[str]:
    """Return how the group called `name` alone could make room, if it could."""
    (large,) = (d for d in demands if d.group.name == name)
    left = pages_for_rings(schema.part) - sum(d.pages for d in demands if d is not large)
    def most(trials: Iterable[Demand]) -> Demand | None:
        return next((t for t in trials if arrange(
            schema.part, [t if d is large else d for d in demands]) is not None), None)

    if large.group.slots is not None and large.slots > large.least:
        fewer = most(large._replace(slots=n)
                     for n in range(left // large.slot_pages, large.least - 1, -1))
        return [f"lower `slots` of `{name}` to {fewer.slots}"] if fewer else []
    small = most(large._replace(slot_pages=n) for n in range(left // large.slots, 0, -1))
    payload = small.slot_pages * schema.part.page - OVERHEAD_BYTES if small else 0
    return [f"make `{name}` at most {payload} bytes, room included; it has "
            f"{large.group.payload_bytes}"] if payload > 0 else []


def _shares(demands: Sequence[Demand]) -> str:
    """Return the five groups that take most pages."""
    most = sorted(demands, key=lambda d: (-d.pages, d.group.id))[:5]
    rest = len(demands) - len(most)
    return "pages: " + ", ".join(f"`{d.group.name}` {d.pages}" for d in most) + (
        f", {plural(rest, 'more group')} "
        f"{sum(d.pages for d in demands) - sum(d.pages for d in most)}" if rest else "")


def _records(schema: Schema, group: Group) -> str:
    return f"{records_in_life(group, schema):,.0f} records in {schema.life_years:g} years"


def _extent(demand: Demand) -> str:
    each = plural(demand.slot_pages, "page")
    return f"{plural(demand.slots, 'slot')} of {each} ({plural(demand.pages, 'page')})"

