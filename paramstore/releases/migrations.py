"""What later firmware must know of earlier releases: where they kept each field, and their labels.

Walks from a plan back through the releases before it, parameter by parameter. Only releases of
the same series count: after a relayout units of before are converted on the host.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from paramstore.core.words import code_list
from paramstore.layout.plan import PlacedField, Plan, Ring
from paramstore.layout.raw_conversion import FieldMigration
from paramstore.releases.conversion import NoConversion, Via, conversion_of, via_of
from paramstore.schema.model import Parameter

__all__ = ["Ancestor", "ancestor_group", "ancestor_parameter", "ancestors", "lineage_of",
           "with_migrations"]

Ancestor = tuple[Ring, Parameter]
"""A parameter of an earlier release, and the ring it is in."""


def with_migrations(plan: Plan, earlier: Sequence[Plan]) -> Plan:
    """Return `plan` with `migrations`, `lineage` and `added`, from the releases before.

    Raises NoConversion: PS736 if the way from a much older release is too long for the
    arithmetic, PS739 if two groups take from each other.
    """
    same = [p for p in earlier if p.series == plan.series]
    rows = {ring.group.id: [row for placed in ring.fields
                            for row in _migrations(plan, ring, placed, same)]
            for ring in plan.rings}
    ordered = (row for group_id in _order(plan, rows) for row in rows[group_id])
    added = {r.group.id for r in plan.rings for p in same
             if r.group.id not in {old.group.id for old in p.rings}}
    return replace(plan, migrations=tuple(ordered), lineage=lineage_of(earlier, plan.series),
                   added=frozenset(added))


def lineage_of(earlier: Sequence[Plan], series: int) -> tuple[tuple[int, int], ...]:
    """Return numbers and layout ids of those of the `earlier` releases that are of a series."""
    return tuple((p.release, p.layout_id) for p in earlier if p.series == series)


def _order(plan: Plan, rows: Mapping[int, Sequence[FieldMigration]]) -> list[int]:
    """Return the groups that take something, each before those that it takes from.

    A group is committed by the new firmware only when nobody needs its old record any more.
    """
    needs = {target: {row.source for row in mine} - {target}
             for target, mine in rows.items() if mine}
    order: list[int] = []
    while needs:
        wanted = set().union(*needs.values())
        free = [group_id for group_id in sorted(needs) if group_id not in wanted]
        if not free:
            names = [plan.rings[i].group.name for i in range(len(plan.rings))
                     if plan.rings[i].group.id in needs]
            raise NoConversion(
                "PS739", f"parameters move between {code_list(names)} in both directions",
                "move those of one direction into another group, or leave them where they are",
                ("units of the earlier releases are converted group by group, and after a power "
                 "cut in between each needs what it takes from the others",))
        order += free
        for group_id in free:
            del needs[group_id]
    return order


def ancestors(plan: Plan, ring: Ring, parameter: Parameter,
              earlier: Sequence[Plan]) -> Iterator[Ancestor]:
    """Yield what a parameter was in each release before, the latest first, as far back as it goes.
    """
    for before in reversed(earlier):
        found = ancestor_parameter(before, ring, parameter)
        if found is None:
            return
        ring, parameter = found
        yield found


def ancestor_group(before: Plan, ring: Ring) -> Ring | None:
    """Return the ring of the same group in the release before; None if it is new."""
    return next((r for r in before.rings if r.group.id == ring.group.id), None)


def ancestor_parameter(before: Plan, ring: Ring, parameter: Parameter) -> Ancestor | None:
    """Return what `parameter`, in `ring` of a released plan, was in the release before."""
    if parameter.was is not None:
        group, _, name = parameter.was.rpartition(".")
        home = before.ring(group)
        return home, home.group.parameter(name)
    own = ancestor_group(before, ring)
    named = [p for p in own.group.parameters if p.name == parameter.name] if own else []
    return (own, named[0]) if own and named else None


def _migrations(plan: Plan, ring: Ring, placed: PlacedField,
                earlier: Sequence[Plan]) -> Iterator[FieldMigration]:
    """Yield the earlier places of one field, the latest first."""
    parameter = next(p for p in ring.group.parameters if placed.field in p.fields)
    index = parameter.fields.index(placed.field)
    seen = {(ring.group.id, placed.offset)}
    later, via = placed.field, Via()
    following = [*earlier[1:], plan]
    for number, (home, former) in zip(
            range(len(earlier) - 1, -1, -1), ancestors(plan, ring, parameter, earlier),
            strict=False):
        field = former.fields[index]
        via = via_of(field, later).then(via)
        later = field
        there = home.placed(field)
        if (home.group.id, there.offset) not in seen:
            seen.add((home.group.id, there.offset))
            yield FieldMigration(
                ring.group.id, placed.field.name, placed.since, home.group.id, there.since,
                _until(following[number], home), there.offset, min(field.count, placed.field.count),
                conversion_of(field, placed.field, via))


def _until(following: Plan, home: Ring) -> int:
    """Return the first revision of a ring without what left it in the release `following`."""
    successor = next((r for r in following.rings if r.group.id == home.group.id), None)
    return successor.revision if successor else 1 << 8
