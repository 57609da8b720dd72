"""What became of the parameters of an earlier release, and the way back.

For a downgrade: which parameter of a later plan holds the value of an earlier one, and how that is
turned back into what the earlier one stores.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from paramstore.evolve.conversion import Refused, Via, conversion_of, via_of
from paramstore.evolve.moves import ancestors
from paramstore.layout.moves import Conversion
from paramstore.layout.plan import Plan, Ring
from paramstore.schema.model import Parameter

__all__ = ["Heir", "heirs"]

Name = tuple[str, str]
"""Group and parameter."""


@dataclass(frozen=True, slots=True)
class Heir:
    """A parameter of the later plan. `conversions` lead back, one for each field; None if there is
    no way back."""

    ring: Ring
    parameter: Parameter
    conversions: tuple[Conversion, ...] | None


def heirs(plans: Sequence[Plan]) -> dict[Name, Heir]:
    """Return by its name in the first of consecutive `plans` what each parameter is in the last.

    What was taken out in between is not there.
    """
    first, last = plans[0], plans[-1]
    found: dict[Name, Heir] = {}
    for ring in last.rings:
        for parameter in ring.group.parameters:
            trail = list(ancestors(last, ring, parameter, plans[:-1]))
            if len(trail) == len(plans) - 1:
                home, former = trail[-1] if trail else (ring, parameter)
                name = (first.ring(home.group.name).group.name, former.name)
                line = [p for _, p in reversed(trail)] + [parameter]
                found[name] = Heir(ring, parameter, _way_back(line))
    return found


def _way_back(line: Sequence[Parameter]) -> tuple[Conversion, ...] | None:
    """Return the conversions from the last state of a parameter to the first."""
    conversions = []
    for index, field in enumerate(line[0].fields):
        via = Via()
        for before, after in pairwise(line):
            via = via.then(via_of(before.fields[index], after.fields[index]))
        back = Via(1 / via.factor, -via.offset / via.factor,
                   {new: old for old, new in via.names.items()})
        try:
            conversions.append(conversion_of(line[-1].fields[index], field, back))
        except Refused:  # a text that grew fits only if its value does
            if line[-1].fields[index].scalar != field.scalar:
                return None
            conversions.append(Conversion(field.scalar, field.scalar))
    return tuple(conversions)
