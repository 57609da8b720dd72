"""From a checked model to a Plan: the one verb of this package. Same schema, same plan.

What a group asks for is in `demand`, where it goes in `arrange`, why it does not fit in `misfit`,
warnings are below; times and life are in `figures` and never needed to place anything.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from dataclasses import replace

from paramstore.core.checksum import crc32c
from paramstore.core.errors import Finding, FindingsError, Severity
from paramstore.layout.arrange import arrange
from paramstore.layout.demand import demand_of, demands_of, slots_for_life
from paramstore.layout.layout_id import layout_id
from paramstore.layout.misfit import anew_help, explain_crowding, explain_misfit, impossible_groups
from paramstore.layout.physics import endurance_at, life_years
from paramstore.layout.plan import Plan, Ring
from paramstore.layout.strength import CRC_32C, strength
from paramstore.schema.model import Schema

__all__ = ["advise", "make_plan"]


def make_plan(schema: Schema, kept: Sequence[Ring] = (), retired: Sequence[Ring] = (),
              lineage: tuple[tuple[int, int], ...] = ()) -> Plan:
    """Return the layout of `schema`, with advice in its `findings`.

    `kept` are the rings of groups that stay as they are, `retired` those of groups that are gone:
    new groups are laid beside both. `lineage` as in `Plan`. FindingsError if it does not fit its
    part; the findings say what would make it fit.
    """
    if wrong := impossible_groups(schema):
        raise FindingsError(wrong)
    own = {ring.group.id: ring for ring in kept}
    new = [d for d in demands_of(schema) if d.group.id not in own]
    taken = [(ring.first_page, ring.first_page + ring.pages) for ring in (*kept, *retired)]
    places = arrange(schema.part, new, taken)
    if places is None:
        raise FindingsError([explain_crowding(schema, new, taken) if taken
                             else explain_misfit(schema)])
    for d in new:
        own[d.group.id] = Ring(d.group, places[d.group.id], d.slots, d.slot_pages, d.body_bytes,
                               schema.part.page)
    rings = tuple(own[group_id] for group_id in sorted(own))
    before = lineage[-1][1] if lineage else 0
    plan = Plan(schema, rings, crc32c(schema.name.encode()),
                layout_id(schema.part, rings, before), retired=tuple(retired), lineage=lineage)
    return replace(plan, findings=tuple(advise(plan, {r.group.id for r in kept})))


def advise(plan: Plan, released: Container[int] = ()) -> Iterator[Finding]:
    """Yield the warnings of a layout, group by group, then those of the whole store.

    `released` are the ids of groups whose rings stay as they were released.
    """
    for ring in plan.rings:
        yield from _about_slots(plan, ring, ring.group.id in released)
        yield from _about_place(plan, ring)
        yield from _about_length(plan, ring)
        yield from _about_split(plan, ring)
    part = plan.part
    if part.retention_years < plan.schema.life_years:
        yield Finding(
            "PS423",
            f"the {part.name} keeps its contents for {part.retention_years:g} years, "
            f"the life wanted is {plan.schema.life_years:g}",
            plan.schema.source,
            help="write what is written only once again in service, or take another part",
            severity=Severity.WARNING,
        )


def _about_split(plan: Plan, ring: Ring) -> Iterator[Finding]:
    group = ring.group
    demand = demand_of(group, plan.schema)
    if not demand.hot or group.slots is not None or ring.slot_pages == 1:
        return
    from paramstore.layout.split import best_split  # for few groups, so not loaded for all

    split = best_split(group, plan.schema)
    if split is None or split.pages >= ring.pages:  # a released ring may be too short: PS426
        return
    yield _warning(
        "PS421", plan, ring,
        f"group `{group.name}` writes {ring.slot_pages} pages "
        f"{_rate(group.writes_per_day)} and needs {ring.slots} slots for it",
        label=f"{ring.pages} pages",
        notes=("which parameters change that often is guessed from their types and limits",),
        help=f"{split.words}: that needs {split.pages} pages instead of {ring.pages}, "
             f"and a commit writes {split.slot_pages} instead of {ring.slot_pages}; "
             f"if it is right as it is, `slots = {ring.slots}` says so",
    )


def _about_slots(plan: Plan, ring: Ring, released: bool) -> Iterator[Finding]:
    group, schema = ring.group, plan.schema
    if ring.slots == 2:
        yield _warning(
            "PS422", plan, ring,
            f"group `{group.name}` has two slots and cannot pass over a worn one",
            help="three slots can",
        )
    needed = slots_for_life(group, schema)
    if ring.slots < needed:
        years = life_years(endurance_at(plan.part, schema.temperature_c), ring.slots,
                           group.writes_per_day * group.copies)
        yield _warning(
            "PS426", plan, ring,
            f"group `{group.name}` wears out its {ring.slots} slots in {years:.1f} years, "
            f"the life wanted is {schema.life_years:g}",
            notes=("a released ring keeps its slots",) if released else (),
            help=(f"write it less often; {anew_help(schema)}" if released
                  else f"give it {needed} slots, or leave `slots` out"),
        )


def _about_place(plan: Plan, ring: Ring) -> Iterator[Finding]:
    start = plan.part.protected_from
    if start is not None and ring.group.role.protected and ring.address(0) < start:
        yield _warning(
            "PS424", plan, ring,
            f"group `{ring.group.name}` lies outside the write-protectable area",
            notes=(f"the area from 0x{start:04X} is full",),
            help="make the groups of role identity and calibration smaller, "
                 "or give this one another id: they are laid there in order of id",
        )


def _about_length(plan: Plan, ring: Ring) -> Iterator[Finding]:
    strong = strength(ring.record_bytes)
    if strong.distance < 6:
        most = next(bits for distance, bits in CRC_32C.limits if distance == 6) // 8
        yield _warning(
            "PS425", plan, ring,
            f"the record of group `{ring.group.name}` has {ring.record_bytes} bytes: "
            f"only errors of up to {strong.distance - 1} bits are always found",
            notes=(f"in records of up to {most + 4} bytes errors of up to 5 bits are",),
            help="split the group",
        )


def _warning(code: str, plan: Plan, ring: Ring, message: str, *, label: str = "",
             notes: tuple[str, ...] = (), help: str) -> Finding:
    return Finding(code, message, plan.schema.source, ring.group.span, label, notes, help,
                   severity=Severity.WARNING)


def _rate(per_day: float) -> str:
    return f"{per_day:,.0f} times a day" if per_day >= 1.5 else f"{per_day:.2g} times a day"
