"""Rules between things: a parameter below another, the groups of a store, store and part."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from paramstore.core.errors import Severity, Span
from paramstore.core.words import code_list, did_you_mean, near_words
from paramstore.located.keys import KeyPath
from paramstore.located.validator import CheckedTable, Validator
from paramstore.schema.from_raw import show_raw
from paramstore.schema.keys import STORE_KEYS
from paramstore.schema.model import Group, Kind, Parameter
from paramstore.schema.part import Part

__all__ = ["MAX_GROUPS", "MAX_GROUP_BYTES", "check_below", "check_groups", "check_part"]

MAX_GROUPS = 255
MAX_GROUP_BYTES = 65_000
"""Bytes of the parameters of one group with the room kept: firmware counts them in 16 bits."""


# ---- Below --------------------------------------------------------------------------------------


def check_below(
    validator: Validator, group: KeyPath, names: Collection[str], parameters: Sequence[Parameter]
) -> None:
    """Check the `below` rules of one group; `names` are all parameters, sound or not."""
    sound = {p.name: p for p in parameters}
    circles = _circles({p.name: p.below for p in parameters if p.below in sound})
    for circle in circles:
        _refuse_circle(validator, group, circle)
    for low in parameters:
        if low.below is None:
            continue
        span = validator.value(*group, "parameter", low.name, "below")
        if low.below == low.name:
            validator.add("PS220", f"`{low.name}` cannot stay below itself", span,
                          help="name the parameter that is the greater one")
        elif low.below not in names:
            _refuse_target(validator, group, low, span, [n for n in names if n != low.name])
        elif low.below in sound and not any(low.name in circle for circle in circles):
            high = sound[low.below]
            high_key = validator.key(*group, "parameter", high.name)
            if _comparable(validator, low, high, span, high_key):
                _check_defaults(validator, low, high, span, high_key)


def _refuse_target(
    validator: Validator, group: KeyPath, low: Parameter, span: Span, names: Sequence[str]
) -> None:
    groups: Mapping[str, Any] = validator.at(("group",))
    others = [
        name for name, table in groups.items()
        if isinstance(table, dict) and isinstance(table.get("parameter"), dict)
        and str(low.below).rpartition(".")[2] in table["parameter"]
    ]
    note = f"group {code_list(others)} has a parameter of this name" if others else ""
    help = did_you_mean(str(low.below), names)
    if others and not near_words(str(low.below), names):
        help = "a rule holds within one group, because groups are committed one by one"
    validator.add("PS220", f"group `{group[-1]}` has no parameter `{low.below}`", span,
                  notes=(note,), help=help or "name a parameter of the same group")


def _circles(below: Mapping[str, str]) -> list[list[str]]:
    """Return the parameters of each circle of two or more, from the first one on."""
    circles: list[list[str]] = []
    seen: set[str] = set()
    for start in below:
        chain = []
        name: str | None = start
        while name is not None and name not in seen:
            seen.add(name)
            chain.append(name)
            name = below.get(name)
        if name in chain and name != chain[-1]:
            circles.append(chain[chain.index(name):])
    return circles


def _refuse_circle(validator: Validator, group: KeyPath, circle: Sequence[str]) -> None:
    first, *others = (validator.value(*group, "parameter", name, "below") for name in circle)
    way = " below ".join(f"`{name}`" for name in (*circle, circle[0]))
    validator.add("PS225", f"`below` runs in a circle: {way}", first,
                  also=tuple((span, "") for span in others),
                  notes=("no values can keep all of these rules",), help="take one of them out")


def _comparable(validator: Validator, low: Parameter, high: Parameter, span: Span,
                high_key: Span) -> bool:
    """Return whether the raw values of both can be compared; tell the first difference."""
    a, b = low.first, high.first
    for what, one, other in (
        ("type", _kind(low), _kind(high)),
        ("unit", a.unit, b.unit),
        ("scale", a.scale, b.scale),
        ("offset", a.offset, b.offset),
        ("count", a.count if a.array else 1, b.count if b.array else 1),
    ):
        if one != other:
            validator.add(
                "PS221",
                f"`{low.name}` cannot be compared with `{high.name}`: another {what}",
                span,
                label=f"`{low.name}` has {_fact(what, one)}",
                also=((high_key, f"`{high.name}` has {_fact(what, other)}"),),
                notes=("the firmware compares stored values",),
                help=f"give both the same {what}",
            )
            return False
    if a.scale < 0:
        validator.add("PS221", f"`{low.name}` cannot be compared: its scale is negative", span,
                      notes=("the firmware compares stored values, which fall as these rise",),
                      help="store it with a positive scale")
        return False
    return True


def _fact(what: str, value: object) -> str:
    return f"no {what}" if value == "" else f"{what} {value}"


def _kind(parameter: Parameter) -> str:
    if parameter.kind in (Kind.INTEGER, Kind.FLOAT):
        return parameter.first.scalar.name
    return parameter.kind.value


def _check_defaults(validator: Validator, low: Parameter, high: Parameter, span: Span,
                    high_key: Span) -> None:
    a, b = low.first, high.first
    for index, (one, other) in enumerate(zip(a.default, b.default, strict=True)):
        if not one < other:
            at = f"[{index}]" if a.array else ""
            shown, limit = show_raw(a, one), show_raw(b, other)
            validator.add(
                "PS222",
                f"the default of `{low.name}{at}` is not below that of `{high.name}{at}`",
                span,
                label=f"the default of `{low.name}{at}` is {shown}",
                also=((high_key, f"that of `{high.name}{at}` is {limit}"),),
                notes=("the store starts with the defaults, so they must keep the rules",),
                help=f"lower `{low.name}`, or raise `{high.name}`",
            )
            return


# ---- Groups -------------------------------------------------------------------------------------


def check_groups(validator: Validator, groups: Sequence[Group], declared: int) -> None:
    """Check numbers and sizes of the groups; `declared` counts the unsound ones as well."""
    if declared > MAX_GROUPS:
        validator.add("PS303", f"the store has {declared} groups, more than {MAX_GROUPS}",
                      validator.key("group"), notes=("the id of a group is stored in one byte",),
                      help="join groups that are written equally often")
        return
    owners: dict[int, Group] = {}
    for group in groups:
        if group.id in owners:
            _refuse_id(validator, group, owners[group.id], {g.id for g in groups})
        owners.setdefault(group.id, group)
        size = group.payload_bytes + (group.room or 0)
        if size > MAX_GROUP_BYTES:
            validator.add("PS309", f"group `{group.name}` takes {size} bytes, more than "
                     f"{MAX_GROUP_BYTES}", validator.key("group", group.name),
                     notes=("a group is committed as one record, whose length is kept in 16 bits",),
                     help="split the group")


def _refuse_id(validator: Validator, group: Group, owner: Group, taken: set[int]) -> None:
    free = next(n for n in range(1, len(taken) + 2) if n not in taken)
    places = [validator.value("group", g.name, "id") for g in (owner, group)]
    given = [validator.at(("group", g.name)).get("id") for g in (owner, group)]
    labels = ["given here" if n else "its place in the file, as it has no `id`" for n in given]
    validator.add(
        "PS305", f"groups `{owner.name}` and `{group.name}` have the same id {group.id}", places[1],
        label=labels[1], also=((places[0], labels[0]),),
        help=f"give one of them another id, such as `id = {free}`",
    )


# ---- Store and part -----------------------------------------------------------------------------


def check_part(store: CheckedTable, part: Part) -> None:
    """Check address, bus, supply and life of the store against the data of its part."""
    _check_address(store, part)
    _check_supply_and_bus(store, part)
    years = store.get("life_years")
    if years is not None and years > part.retention_years:
        store.add(
            "PS318", f"a life of {years} years is longer than {part.name} keeps its data",
            store.span("life_years"), label=f"it keeps data {part.retention_years:g} years",
            help="take another part, or have the firmware write each group anew from time to time",
            severity=Severity.WARNING,
        )


def _check_address(store: CheckedTable, part: Part) -> None:
    address = store.get("address")
    blocks = ((1 << part.block_bits) - 1) << part.block_shift
    if address is None or not address & blocks:
        return
    last = part.block_shift + part.block_bits - 1
    which = f"bits {part.block_shift} to {last}" if part.block_bits > 1 else f"bit {last}"
    store.add(
        "PS313",
        f"`address` = 0x{address:02X} sets a bit that {part.name} uses as a memory address",
        store.span("address"),
        notes=(f"{which} of the device address are for the highest bits of the memory address",),
        help=f"write `address = 0x{address & ~blocks:02X}`",
    )


def _check_supply_and_bus(store: CheckedTable, part: Part) -> None:
    if store.spoilt & {"supply_v"}:
        return
    supply = float(store.get("supply_v", STORE_KEYS["supply_v"].default))
    place = store.span("supply_v") if store.given("supply_v") else store.span("part")
    low, high = part.supply_min_v, part.supply_max_v
    if not low <= supply <= high:
        store.add(
            "PS315", f"{part.name} does not work at {supply:g} V", place,
            label=f"it needs {low:g} to {high:g} V",
            help="take another part, or another supply",
        )
        return
    khz, highest = store.get("bus_khz", STORE_KEYS["bus_khz"].default), part.highest_khz(supply)
    if "bus_khz" not in store.spoilt and khz > highest:
        store.add(
            "PS314", f"{part.name} is too slow for {khz} kHz at {supply:g} V",
            store.span("bus_khz") if store.given("bus_khz") else store.span("part"),
            label=f"at most {highest} kHz at this supply",
            help=f"write `bus_khz = {highest}`",
        )
