"""An image of one series made one of another: the values of a unit on another part, or in other
rings.

Nothing stays where it was, so a new image is made, and only values come over, release by release
as `was` and `convert` say. Whatever does not come over is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from paramstore.core.scalars import GroupRaws, StoreRaws
from paramstore.image.contents import Contents
from paramstore.image.migrate import (
    MigratedValue,
    Migration,
    ValueOutcome,
    accounts,
    replaced,
    retired_unread,
    shown,
    turned,
    write_group,
)
from paramstore.layout.plan import Plan, Ring
from paramstore.record import labelled_image
from paramstore.releases.conversion import keeps_elements
from paramstore.releases.successors import Counterpart, predecessors, successors
from paramstore.releases.values import ValueOrigin
from paramstore.schema.breaches import served
from paramstore.schema.model import Parameter

__all__ = ["relayout"]


def relayout(contents: Contents, target: Plan, between: Sequence[Plan]) -> Migration:
    """Return a new image of the release `target` with the values of `contents`.

    `contents` and `between` are as for `migrate`; the two releases may be of any series. Records
    are counted from 1 again.
    """
    known = predecessors(between) if between[-1].release == target.release else successors(between)
    image = labelled_image(target)
    given = {g.ring.group.name: g.stored for g in contents.groups}
    items: list[MigratedValue] = []
    for ring in target.rings:
        taken, outcomes = _carried(contents, ring, known, given)
        becomes = served(ring.group, taken)
        outcomes |= {name: ValueOutcome.UNFIT for name in replaced(ring.group, taken, becomes)
                  if outcomes[name] is not ValueOutcome.DEFAULTED}
        # Defaults in place of values that do not fit must not make a unit look calibrated.
        none = {ValueOutcome.DEFAULTED,
                *([ValueOutcome.UNFIT] if ring.group.role.protected else [])}
        if set(outcomes.values()) - none:
            write_group(image, target, ring, None, becomes.values)
        items += accounts(contents, ring.group, outcomes, known, given, taken, becomes)
    return Migration(bytes(image), (*items, *_left_behind(contents, known),
                                    *retired_unread(contents)))


def _carried(contents: Contents, ring: Ring, known: Mapping[tuple[str, str], Counterpart],
             given: StoreRaws) -> tuple[GroupRaws, dict[str, ValueOutcome]]:
    """Return the values of a group, limits not checked, and what became of each parameter."""
    values = {f.name: f.default for f in ring.group.fields}
    outcomes = {}
    for parameter in ring.group.parameters:
        source = known.get((ring.group.name, parameter.name))
        if source is None or not _stored(contents, source):
            outcomes[parameter.name] = ValueOutcome.DEFAULTED
            continue
        new = turned(parameter, source, given[source.ring.group.name])
        outcomes[parameter.name] = ValueOutcome.UNFIT if new is None else (
            ValueOutcome.KEPT if _alike(parameter, source) else ValueOutcome.CONVERTED)
        values |= new or {}
    return values, outcomes


def _stored(contents: Contents, source: Counterpart) -> bool:
    origins = contents.group(source.ring.group.name).origins
    return origins[source.parameter.name] is not ValueOrigin.DEFAULT


def _alike(parameter: Parameter, source: Counterpart) -> bool:
    return all(
        keeps_elements(c) and old.count == new.count
        for c, old, new in zip(source.conversions, source.parameter.fields, parameter.fields,
                               strict=True))


def _left_behind(contents: Contents,
                 known: Mapping[tuple[str, str], Counterpart]) -> Iterator[MigratedValue]:
    """Yield the stored values of parameters that the other release does not have."""
    reached = {(h.ring.group.name, h.parameter.name) for h in known.values()}
    for group in contents.groups:
        for parameter in group.ring.group.parameters:
            name = group.ring.group.name
            if ((name, parameter.name) not in reached
                    and group.origins[parameter.name] is not ValueOrigin.DEFAULT):
                yield MigratedValue(f"{name}.{parameter.name}", ValueOutcome.LOST,
                                    shown(parameter, group.stored))
