"""One change between two releases, what it means for units in the field, and how values of a field
become those of a later state of it.

A `line` is a field in each release from the first to the last that is looked at.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from paramstore.core.scalars import Raw
from paramstore.layout.raw_conversion import Arithmetic, Conversion, convert_raw, may_round
from paramstore.releases.conversion import NoConversion, Via, host_conversion_of, via_along
from paramstore.schema.model import Field

__all__ = ["Change", "Impact", "ValueRoute", "images", "line_may_round", "ranges_of", "way_along"]


class Impact(StrEnum):
    """What a change means for units in the field."""

    SAFE = "safe"  # old bytes are read as they are; what is new has its default
    WEARS = "wears out early"  # no byte moves, but a ring does not last the life wanted (PS426)
    MIGRATES = "needs migration"  # values are converted, or some cannot be kept
    RELAYOUT = "needs relayout"  # rings lie elsewhere: units are converted on the host
    REFUSED = "refused"  # it would move bytes or change what they mean


@dataclass(frozen=True, slots=True)
class Change:
    """One change. `where` is a group, GROUP.PARAMETER, or "" for the whole store; `loses` are the
    GROUP.PARAMETERs of which a rule may reset stored values; `in_place` says which bytes stay, or
    what older firmware makes of them: "" where nothing of that holds."""

    code: str
    impact: Impact
    where: str
    text: str
    loses: tuple[str, ...] = ()
    in_place: str = ""

    @property
    def words(self) -> str:
        """All that is said of the change."""
        return f"{self.text}; {self.in_place}" if self.in_place else self.text


class ValueRoute(NamedTuple):
    """How values of a field become those of a later state of it."""

    via: Via
    conversion: Conversion

    @property
    def rises(self) -> bool:
        """Whether of two values the greater one stays the greater one, or they become equal."""
        rule = self.conversion.rule
        return not isinstance(rule, Arithmetic) or rule.numerator > 0


def way_along(line: Sequence[Field]) -> ValueRoute | None:
    """Return the way along the states of a field; None if there is none, which is refused."""
    try:
        via = via_along(line)
        return ValueRoute(via, host_conversion_of(line[0], line[-1], via))
    except NoConversion:
        return None


def line_may_round(line: Sequence[Field]) -> bool:
    """Return whether some value may become another number on its way."""
    way, ends = way_along(line), ranges_of(line[0])
    return way is not None and may_round(way.conversion, ends[0][0], ends[-1][1])


def ranges_of(field: Field) -> tuple[tuple[Raw, Raw], ...]:
    """Return the ranges of raws that a field may hold, ascending."""
    return field.limits.ranges or ((field.scalar.minimum, field.scalar.maximum),)


def images(field: Field, way: ValueRoute) -> Iterator[tuple[Raw, Raw]]:
    """Yield the ranges of `field` converted; an end that is no value of the new type is without
    end."""
    for ends in ranges_of(field):
        low, high = ends if way.rises else reversed(ends)
        a, b = convert_raw(way.conversion, low), convert_raw(way.conversion, high)
        yield -math.inf if a is None else a, math.inf if b is None else b
