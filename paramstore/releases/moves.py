"""What later firmware must know of earlier releases: where they kept each field, and their labels.

Walks from a plan back through the releases before it, parameter by parameter. Only releases of
the same series count: after a relayout units of before are converted on the host.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from paramstore.core.words import code_list
from paramstore.layout.moves import Move
from paramstore.layout.plan import PlacedField, Plan, Ring
from paramstore.releases.conversion import NoConversion, Via, conversion_of, via_of
from paramstore.schema.model import Parameter

__all__ = ["Ancestor", "ancestor_group", "ancestor_parameter", "ancestors", "lineage_of",
           "with_moves"]

Ancestor = tuple[Ring, Parameter]
"""A parameter of an earlier release, and the ring it is in."""


def with_moves(plan: Plan, earlier: Sequence[Plan]) -> Plan:
    """Return `plan` with the `moves`, `lineage` and `added` that follow from the releases before.

    Raises Refused: PS736 if the way from a much older release is too long for the arithmetic, PS739
    if two groups take from each other.
    """
    same = [p for p in earlier if p.series == plan.series]
    moves = {ring.group.id: [move for placed in ring.fields
                             for move in _moves(plan, ring, placed, same)] for ring in plan.rings}
    ordered = (move for group_id in _order(plan, moves) for move in moves[group_id])
    added = {r.group.id for r in plan.rings for p in same
             if r.group.id not in {old.group.id for old in p.rings}}
    return replace(plan, moves=tuple(ordered), lineage=lineage_of(earlier, plan.series),
                   added=frozenset(added))


def lineage_of(earlier: Sequence[Plan], series: int) -> tuple[tuple[int, int], ...]:
    """Return numbers and layout ids of those of the `earlier` releases that are of a series."""
    return tuple((p.release, p.layout_id) for p in earlier if p.series == series)


def _order(plan: Plan, moves: Mapping[int, Sequence[Move]]) -> list[int]:
    """Return the groups that take something, each before those that it takes from.

    A group is committed by the new firmware only when nobody needs its old record any more.
    """
    needs = {target: {m.source for m in rows} - {target} for target, rows in moves.items() if rows}
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


def _moves(plan: Plan, ring: Ring, placed: PlacedField, earlier: Sequence[Plan]) -> Iterator[Move]:
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
        there = home.place(field)
        if (home.group.id, there.offset) not in seen:
            seen.add((home.group.id, there.offset))
            yield Move(
                ring.group.id, placed.field.name, placed.since, home.group.id, there.since,
                _until(following[number], home), there.offset, min(field.count, placed.field.count),
                conversion_of(field, placed.field, via))


def _until(following: Plan, home: Ring) -> int:
    """Return the first revision of a ring without what left it in the release `following`."""
    successor = next((r for r in following.rings if r.group.id == home.group.id), None)
    return successor.revision if successor else 1 << 8
