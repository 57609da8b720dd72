"""An image of one series made one of another: the values of a unit on another part, or in other
rings.

Nothing stays where it was, so a new image is made, and only values come over, release by release
as `was` and `convert` say. Whatever does not come over is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from paramstore.core.format import ERASED
from paramstore.image.contents import Contents
from paramstore.image.migrate import (
    Fate,
    Item,
    Migration,
    accounts,
    replaced,
    retired_unread,
    shown,
    turned,
    write_group,
)
from paramstore.layout.plan import Plan, Ring
from paramstore.record import build_label
from paramstore.releases.conversion import neutral
from paramstore.releases.heirs import Heir, forebears, heirs
from paramstore.releases.values import Origin, Values
from paramstore.schema.breaches import served
from paramstore.schema.model import Parameter

__all__ = ["relayout"]


def relayout(contents: Contents, target: Plan, between: Sequence[Plan]) -> Migration:
    """Return a new image of the release `target` with the values of `contents`.

    `contents` and `between` are as for `migrate`; the two releases may be of any series. Records
    are counted from 1 again.
    """
    known = forebears(between) if between[-1].release == target.release else heirs(between)
    image = bytearray([ERASED]) * target.part.capacity
    for copy in (0, 1):
        label = build_label(target)
        image[target.label_address(copy):target.label_address(copy) + len(label)] = label
    given = {g.ring.group.name: g.stored for g in contents.groups}
    items: list[Item] = []
    for ring in target.rings:
        taken, fates = _carried(contents, ring, known, given)
        becomes = served(ring.group, taken)
        fates |= {name: Fate.UNFIT for name in replaced(ring.group, taken, becomes)
                  if fates[name] is not Fate.DEFAULTED}
        # Defaults in place of values that do not fit must not make a unit look calibrated.
        none = {Fate.DEFAULTED, *([Fate.UNFIT] if ring.group.role.protected else [])}
        if set(fates.values()) - none:
            write_group(image, target, ring, None, becomes.values)
        items += accounts(contents, ring.group, fates, known, given, taken, becomes)
    return Migration(bytes(image), (*items, *_left_behind(contents, known),
                                    *retired_unread(contents)))


def _carried(contents: Contents, ring: Ring, known: Mapping[tuple[str, str], Heir],
             given: Mapping[str, Values]) -> tuple[Values, dict[str, Fate]]:
    """Return the values of a group, limits not checked, and what became of each parameter."""
    values: Values = {f.name: f.default for f in ring.group.fields}
    fates = {}
    for parameter in ring.group.parameters:
        source = known.get((ring.group.name, parameter.name))
        if source is None or not _stored(contents, source):
            fates[parameter.name] = Fate.DEFAULTED
            continue
        new = turned(parameter, source, given[source.ring.group.name])
        fates[parameter.name] = Fate.UNFIT if new is None else (
            Fate.KEPT if _alike(parameter, source) else Fate.CONVERTED)
        values |= new or {}
    return values, fates


def _stored(contents: Contents, source: Heir) -> bool:
    origins = contents.group(source.ring.group.name).origins
    return origins[source.parameter.name] is not Origin.DEFAULT


def _alike(parameter: Parameter, source: Heir) -> bool:
    return all(
        neutral(c) and old.count == new.count
        for c, old, new in zip(source.conversions, source.parameter.fields, parameter.fields,
                               strict=True))


def _left_behind(contents: Contents, known: Mapping[tuple[str, str], Heir]) -> Iterator[Item]:
    """Yield the stored values of parameters that the other release does not have."""
    reached = {(h.ring.group.name, h.parameter.name) for h in known.values()}
    for group in contents.groups:
        for parameter in group.ring.group.parameters:
            name = group.ring.group.name
            if ((name, parameter.name) not in reached
                    and group.origins[parameter.name] is not Origin.DEFAULT):
                yield Item(f"{name}.{parameter.name}", Fate.LOST, shown(parameter, group.stored))
