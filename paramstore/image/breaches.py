"""Which values break the schema: one check for values files, images to be made, and dumps.

Gives facts, no words. Must not know files or slots.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from typing import NamedTuple

from paramstore.scalars import Raw
from paramstore.schema.model import AnyGroup, Field, Kind, Parameter

__all__ = ["Breach", "BreachKind", "breaches", "own_breaches"]


class BreachKind(StrEnum):
    """What is broken."""

    LIMIT = "limit"  # an element outside its limits
    RISING = "rising"  # an element not greater than the one before
    BELOW = "below"  # an element not below its partner in another parameter
    TEXT = "text"  # not UTF-8, or bytes after the end of the text


class Breach(NamedTuple):
    """One broken rule: which element of which field breaks it."""

    kind: BreachKind
    parameter: Parameter
    field: Field
    element: int


def breaches(group: AnyGroup, values: Mapping[str, tuple[Raw, ...]]) -> Iterator[Breach]:
    """Yield every breach in the raws of a group, in record order.

    `values` holds every field of the group by name. An axis that does not rise, and a parameter
    that is not below another, are told once, at the first element.
    """
    for parameter in group.parameters:
        for field in parameter.fields:
            yield from own_breaches(parameter, field, values[field.name])
        if parameter.below is not None:
            yield from _below(group, parameter, values)


def own_breaches(parameter: Parameter, field: Field, raws: Sequence[Raw]) -> Iterator[Breach]:
    """Yield every breach in the raws of one field that shows without the others."""
    for i, raw in enumerate(raws):
        if not field.limits.allow(raw):
            yield Breach(BreachKind.LIMIT, parameter, field, i)
    if field.rising:
        for i in range(1, len(raws)):
            if not raws[i - 1] < raws[i]:
                yield Breach(BreachKind.RISING, parameter, field, i)
                break
    if field.kind is Kind.TEXT and not _is_text(bytes(int(r) for r in raws)):
        yield Breach(BreachKind.TEXT, parameter, field, 0)


def _below(group: AnyGroup, low: Parameter,
           values: Mapping[str, tuple[Raw, ...]]) -> Iterator[Breach]:
    high = group.parameter(low.below or "")
    pairs = zip(values[low.fields[0].name], values[high.fields[0].name], strict=True)
    for i, (a, b) in enumerate(pairs):
        if not a < b:
            yield Breach(BreachKind.BELOW, low, low.fields[0], i)
            return


def _is_text(data: bytes) -> bool:
    text, _, rest = data.partition(b"\0")
    try:
        text.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return not rest.strip(b"\0")
