"""What differs between two dumps, or a dump and values: by parameter, and by byte."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from paramstore.decode.meaning import Meaning, meaning_of
from paramstore.image.contents import Contents
from paramstore.layout.plan import Plan
from paramstore.scalars import Raw
from paramstore.schema.model import AnyGroup, Group, Parameter

__all__ = ["ByteRange", "Difference", "Values", "alike", "byte_differences",
           "value_differences"]

_BLOCK = 256
"""Bytes that are compared at once."""

Values = Mapping[str, Mapping[str, tuple[Raw, ...]]]


class Difference(NamedTuple):
    """A parameter whose stored values differ; raws by field name, None where the group has none
    (it was never written, or is lost)."""

    group: AnyGroup
    parameter: Parameter
    before: dict[str, tuple[Raw, ...]] | None
    after: dict[str, tuple[Raw, ...]] | None


class ByteRange(NamedTuple):
    """Bytes that differ, all of one meaning; a dump that is shorter has none there."""

    meaning: Meaning
    before: bytes
    after: bytes


def value_differences(plan: Plan, before: Contents | Values,
                      after: Contents | Values) -> tuple[Difference, ...]:
    """Return the parameters that differ, in schema order. Values that are given as such are
    compared only where they are given."""
    found = []
    for ring in plan.rings:
        for parameter in ring.group.parameters:
            sides = [_raws(side, ring.group, parameter) for side in (before, after)]
            if not any(side == {} for side in sides) and not alike(*sides):
                found.append(Difference(ring.group, parameter, *sides))
    return tuple(found)


def alike(one: object, other: object) -> bool:
    """Return whether raws are the same values; a NaN is like every NaN, although it equals none."""
    return one == other or repr(one) == repr(other)


def _raws(side: Contents | Values, group: Group,
          parameter: Parameter) -> dict[str, tuple[Raw, ...]] | None:
    """Return the raws of a parameter; None if there is no record, {} if nothing is said."""
    names = [f.name for f in parameter.fields]
    if isinstance(side, Contents):
        contents = side.group(group.name)
        return {n: contents.values[n] for n in names} if contents.newest else None
    given = side.get(group.name, {})
    return {n: given[n] for n in names} if all(n in given for n in names) else {}


def byte_differences(plan: Plan, before: bytes, after: bytes) -> tuple[ByteRange, ...]:
    """Return what differs byte by byte, in order of addresses, runs of one meaning together."""
    runs: list[tuple[int, int, Meaning]] = []
    for address in _unlike(before, after, plan.part.capacity):
        if runs:
            first, end, meaning = runs[-1]
            if end == address < meaning.first + meaning.size:
                runs[-1] = first, address + 1, meaning
                continue
        runs.append((address, address + 1, meaning_of(plan, address)))
    return tuple(ByteRange(meaning, before[first:end], after[first:end])
                 for first, end, meaning in runs)


def _unlike(before: bytes, after: bytes, capacity: int) -> Iterator[int]:
    """Yield the addresses at which bytes differ."""
    size = min(capacity, max(len(before), len(after)))
    for block in range(0, size, _BLOCK):
        if before[block:block + _BLOCK] != after[block:block + _BLOCK]:
            yield from (a for a in range(block, min(block + _BLOCK, size))
                        if before[a:a + 1] != after[a:a + 1])
