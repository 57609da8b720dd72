"""What differs between two dumps, or a dump and values: by parameter, and by byte.

What a dump does not have is no value and no byte: it is told as not read, never as FF.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from enum import StrEnum
from typing import NamedTuple

from paramstore.core.scalars import Raw
from paramstore.files.forms import Dump
from paramstore.image.contents import Contents
from paramstore.inspect.meaning import Meaning, meaning_of
from paramstore.layout.plan import Plan
from paramstore.schema.breaches import Reset
from paramstore.schema.model import AnyGroup, Group, Parameter

__all__ = ["Absence", "ByteRange", "Difference", "Values", "alike", "byte_differences",
           "unlike", "value_differences"]

_BLOCK = 256
"""Bytes that are compared at once."""

Values = Mapping[str, Mapping[str, tuple[Raw, ...]]]


class Absence(StrEnum):
    """Why a dump has no value of a parameter."""

    NO_RECORD = "no record"  # never written, or erased
    LOST = "lost: damaged"  # bytes, but no whole record
    NOTHING = "nothing"  # the number for no value, or its group is not there
    UNREAD = "not in the dump"
    FAULTY = "bits that stand for nothing"


class Difference(NamedTuple):
    """A parameter whose values differ, as firmware serves them or as they are stored; raws by field
    name. `resets` say of each side why it has the default although another value is stored."""

    group: AnyGroup
    parameter: Parameter
    before: dict[str, tuple[Raw, ...]] | Absence
    after: dict[str, tuple[Raw, ...]] | Absence
    resets: tuple[Reset | None, Reset | None] = (None, None)


class ByteRange(NamedTuple):
    """Bytes that differ, all of one meaning. A side is empty where its dump has none of them."""

    meaning: Meaning
    before: bytes
    after: bytes


def value_differences(plan: Plan, before: Contents | Values,
                      after: Contents | Values,
                      without: Collection[str] = ()) -> tuple[Difference, ...]:
    """Return the parameters that differ, in schema order. Values that are given as such are
    compared only where they are given, and in the groups `without` a record, which must have none.
    """
    found = []
    for ring in plan.rings:
        for parameter in ring.group.parameters:
            sides = [_raws(side, ring.group, parameter, without) for side in (before, after)]
            one, other = (side.group(ring.group.name).reset_of(parameter)
                          if isinstance(side, Contents) else None for side in (before, after))
            if {} not in sides and not (alike(*sides) and alike(
                    _stored(one, parameter), _stored(other, parameter))):
                found.append(Difference(ring.group, parameter, sides[0], sides[1], (one, other)))
    return tuple(found)


def _stored(reset: Reset | None, parameter: Parameter) -> list[tuple[Raw, ...]] | None:
    """Return the stored values in place of which the default is served; None if they are served."""
    return reset and [reset.values[f.name] for f in parameter.fields]


def alike(one: object, other: object) -> bool:
    """Return whether raws are the same values; a NaN is like every NaN, although it equals none."""
    return one == other or repr(one) == repr(other)


def _raws(side: Contents | Values, group: Group, parameter: Parameter,
          without: Collection[str]) -> dict[str, tuple[Raw, ...]] | Absence:
    """Return the raws of a parameter; {} if nothing is said."""
    names = [f.name for f in parameter.fields]
    if isinstance(side, Contents):
        contents = side.group(group.name)
        if contents.newest is None:
            return (Absence.UNREAD if contents.unread else
                    Absence.LOST if contents.lost else Absence.NO_RECORD)
        return {n: contents.values[n] for n in names}
    if group.name in without:
        return Absence.NO_RECORD
    given = side.get(group.name, {})
    return {n: given[n] for n in names} if all(n in given for n in names) else {}


def byte_differences(plan: Plan, before: Dump, after: Dump) -> tuple[ByteRange, ...]:
    """Return what differs byte by byte, in order of addresses, runs of one meaning together."""
    runs: list[tuple[int, bytes, bytes, Meaning]] = []
    for address, one, other in unlike(before, after, plan.part.capacity):
        if runs:
            first, left, right, meaning = runs[-1]
            size = max(len(left), len(right))
            if first + size == address < meaning.first + meaning.size and (
                    (bool(left), bool(right)) == (bool(one), bool(other))):
                runs[-1] = first, left + one, right + other, meaning
                continue
        runs.append((address, one, other, meaning_of(plan, address)))
    return tuple(ByteRange(meaning, left, right) for _, left, right, meaning in runs)


def unlike(before: Dump, after: Dump, most: int) -> Iterator[tuple[int, bytes, bytes]]:
    """Yield the addresses below `most` at which bytes differ, and the bytes: none where a dump does
    not have it. What neither has is not told."""
    size = min(most, max(len(before.data), len(after.data)))
    there = [_there(dump, size) for dump in (before, after)]
    for first in range(0, size, _BLOCK):
        end = min(first + _BLOCK, size)
        if before.data[first:end] == after.data[first:end] and (
                there[0][first:end] == there[1][first:end]):
            continue
        for a in range(first, end):
            one, other = (dump.data[a:a + 1] if has[a] else b""
                          for dump, has in zip((before, after), there, strict=True))
            if one != other:
                yield a, one, other


def _there(dump: Dump, size: int) -> bytearray:
    """Return for each address below `size` whether a dump has its byte."""
    there = bytearray(b"\1") * len(dump.data)
    for first, end in dump.gaps:
        there[first:end] = bytes(end - first)
    return there[:size].ljust(size, b"\0")
