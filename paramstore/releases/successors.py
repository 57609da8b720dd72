"""What became of the parameters of an earlier release, and where those of a later one are from.

For the host, which makes an image of one release one of another: how a value is turned into what
the other release stores, forwards and back.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from paramstore.layout.plan import Plan, Ring
from paramstore.layout.raw_conversion import Conversion
from paramstore.releases.conversion import Via, host_conversion_of, via_along
from paramstore.releases.migrations import ancestors
from paramstore.schema.model import Parameter

__all__ = ["Counterpart", "predecessors", "successors"]

Name = tuple[str, str]
"""Group and parameter."""


@dataclass(frozen=True, slots=True)
class Counterpart:
    """A parameter of the other plan. `conversions` lead from its fields to those of the parameter
    that was asked for, one for each."""

    ring: Ring
    parameter: Parameter
    conversions: tuple[Conversion, ...]


def successors(plans: Sequence[Plan]) -> dict[Name, Counterpart]:
    """Return by its name in the first of consecutive `plans` what each parameter is in the last.

    What was taken out in between is not there.
    """
    return {(home.group.name, line[0].name): Counterpart(ring, line[-1], _way(line, back=True))
            for home, ring, line in _lines(plans)}


def predecessors(plans: Sequence[Plan]) -> dict[Name, Counterpart]:
    """Return by its name in the last of consecutive `plans` what each parameter was in the first.

    What came in between is not there.
    """
    return {(ring.group.name, line[-1].name): Counterpart(home, line[0], _way(line, back=False))
            for home, ring, line in _lines(plans)}


def _lines(plans: Sequence[Plan]) -> Iterator[tuple[Ring, Ring, list[Parameter]]]:
    """Yield each parameter that all plans have, the first one's first, and its rings in the first
    and the last."""
    last = plans[-1]
    for ring in last.rings:
        for parameter in ring.group.parameters:
            trail = list(ancestors(last, ring, parameter, plans[:-1]))
            if len(trail) == len(plans) - 1:
                home = trail[-1][0] if trail else ring
                yield home, ring, [*(p for _, p in reversed(trail)), parameter]


def _way(line: Sequence[Parameter], back: bool) -> tuple[Conversion, ...]:
    """Return the conversions from the first state of a parameter to the last, or back."""
    source, target = (line[-1], line[0]) if back else (line[0], line[-1])
    conversions = []
    for index, (old, new) in enumerate(zip(source.fields, target.fields, strict=True)):
        via = via_along([state.fields[index] for state in line])
        conversions.append(host_conversion_of(old, new, _reverse(via) if back else via))
    return tuple(conversions)


def _reverse(via: Via) -> Via:
    return Via(1 / via.factor, -via.offset / via.factor,
               {new: old for old, new in via.names.items()})
