"""What differs between two dumps of a fixed layout, or a dump and values: by parameter and byte."""

from __future__ import annotations

from paramstore.decode.differ import ByteRange, Difference, Values, alike
from paramstore.decode.fixed_meaning import owners_by_address
from paramstore.decode.meaning import Meaning
from paramstore.fixed.contents import FixedContents

__all__ = ["fixed_byte_differences", "fixed_differences"]


def fixed_differences(before: FixedContents,
                      after: FixedContents | Values) -> tuple[Difference, ...]:
    """Return the parameters whose values differ; a side that has none has None. Values that are
    given as such are compared only where they are given."""
    found = []
    for side in before.groups:
        name = side.group.name
        given = after.group(name).values if isinstance(after, FixedContents) else (
            after.get(name, {}))
        for parameter in side.group.parameters:
            raws = side.values.get(parameter.name), given.get(parameter.name)
            compared = isinstance(after, FixedContents) or parameter.name in given
            if compared and not alike(*raws):
                found.append(Difference(side.group, parameter, *(
                    None if r is None else {parameter.name: r} for r in raws)))
    return tuple(found)


def fixed_byte_differences(before: FixedContents, after: FixedContents) -> tuple[ByteRange, ...]:
    """Return what differs byte by byte, runs of bytes of the same things together."""
    sides = [owners_by_address(before.layout, contents) for contents in (before, after)]
    runs: list[tuple[int, int, str]] = []
    for address in range(max(len(before.image), len(after.image))):
        if before.image[address:address + 1] == after.image[address:address + 1]:
            continue
        names = dict.fromkeys(f"{o.group.name}.{o.thing.name}" for owners in sides
                              for o in owners.get(address, ()))
        what = ", ".join(names) or "not described"
        if runs and runs[-1][1:] == (address, what):
            runs[-1] = runs[-1][0], address + 1, what
        else:
            runs.append((address, address + 1, what))
    return tuple(ByteRange(Meaning(first, what, first, end - first), before.image[first:end],
                           after.image[first:end]) for first, end, what in runs)
