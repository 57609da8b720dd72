"""What differs between two dumps of a fixed layout, or a dump and values: by parameter and byte."""

from __future__ import annotations

from paramstore.core.scalars import Raw
from paramstore.files.forms import Dump
from paramstore.inspect.differ import Absence, ByteRange, Difference, Values, alike, unlike
from paramstore.inspect.fixed_meaning import owners_by_address
from paramstore.inspect.meaning import Meaning
from paramstore.schema.fixed.found import FixedContents, FixedGroupContents, Presence
from paramstore.schema.model import Parameter

__all__ = ["fixed_byte_differences", "fixed_differences"]


def fixed_differences(before: FixedContents,
                      after: FixedContents | Values) -> tuple[Difference, ...]:
    """Return the parameters whose values differ. Values that are given as such are compared only
    where they are given."""
    found = []
    for side in before.groups:
        name = side.group.name
        for parameter in side.group.parameters:
            if isinstance(after, FixedContents):
                other = _raws(after.group(name), parameter)
            elif parameter.name in after.get(name, {}):
                other = {parameter.name: after[name][parameter.name]}
            else:
                continue
            own = _raws(side, parameter)
            if not alike(own, other):
                found.append(Difference(side.group, parameter, own, other))
    return tuple(found)


def _raws(side: FixedGroupContents, parameter: Parameter) -> dict[str, tuple[Raw, ...]] | Absence:
    raws = side.values.get(parameter.name)
    if raws is not None:
        return {parameter.name: raws}
    if parameter.name in side.faulty:
        return Absence.FAULTY
    absent = parameter.name in side.unset or side.presence is Presence.ABSENT
    return Absence.NOTHING if absent else Absence.UNREAD


def fixed_byte_differences(before: FixedContents, after: FixedContents) -> tuple[ByteRange, ...]:
    """Return what differs byte by byte, runs of bytes of the same things together."""
    sides = [owners_by_address(before.layout, contents) for contents in (before, after)]
    runs: list[tuple[int, bytes, bytes, str]] = []
    for address, one, other in unlike(Dump(before.image, before.gaps),
                                      Dump(after.image, after.gaps), before.layout.size):
        names = dict.fromkeys(f"{o.group.name}.{o.thing.name}" for owners in sides
                              for o in owners.get(address, ()))
        what = ", ".join(names) or "not described"
        if runs:
            first, left, right, last = runs[-1]
            if (first + max(len(left), len(right)), last, bool(left), bool(right)) == (
                    address, what, bool(one), bool(other)):
                runs[-1] = first, left + one, right + other, what
                continue
        runs.append((address, one, other, what))
    return tuple(
        ByteRange(Meaning(first, what, first, max(len(left), len(right))), left, right)
        for first, left, right, what in runs)
