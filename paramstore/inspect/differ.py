"""What differs between two dumps, or a dump and values: by parameter, and by byte.

What a dump does not have is no value and no byte: it is told as not read, never as FF.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import NamedTuple

from paramstore.core.errors import SourceText, ToolError
from paramstore.core.scalars import StoreRaws
from paramstore.files.forms import Dump
from paramstore.inspect.examination import (
    Absence,
    Examination,
    StoredValue,
    Values,
)
from paramstore.inspect.examine import places_of
from paramstore.inspect.regions import Places, RegionKind
from paramstore.schema.model import AnyGroup, Parameter

__all__ = ["ByteOwner", "ByteRange", "Difference", "byte_differences", "differences",
           "given_values", "value_differences"]

_BLOCK = 256
"""Bytes that are compared at once."""


class Difference(NamedTuple):
    """A parameter whose values differ, as firmware serves them or as they are stored."""

    group: AnyGroup
    parameter: Parameter
    before: StoredValue
    after: StoredValue


class ByteOwner(NamedTuple):
    """What a byte belongs to: the `names` of what has it, in `area` of the part ("" where areas
    have no names). No names: nothing has it."""

    area: str
    names: tuple[str, ...]


class ByteRange(NamedTuple):
    """Bytes from `address` on that differ, all of one owner. A side is empty where its dump has
    none of them."""

    address: int
    owner: ByteOwner
    before: bytes
    after: bytes


def differences(before: Examination, after: Examination | SourceText,
                ) -> tuple[tuple[Difference, ...], tuple[ByteRange, ...]]:
    """Return what differs between two dumps, or a dump and a values file: parameters, and the
    bytes of two dumps.

    FindingsError for mistakes in the values file; ToolError if the layouts are not the same.
    """
    if isinstance(after, SourceText):
        from paramstore.image.values import read_values

        given = read_values(before.schema, after, partial=True).values
        return value_differences(before.groups, before.values(),
                                 given_values(before.groups, given)), ()
    if not before.same_layout(after):
        raise ToolError(
            "the two dumps have different layouts, so their bytes mean different things",
            "`paramstore migrate` makes one image of the other's release")
    return (value_differences(before.groups, before.values(), after.values()),
            byte_differences(before, after))


def value_differences(groups: Iterable[AnyGroup], before: Values,
                      after: Values) -> tuple[Difference, ...]:
    """Return the parameters that differ, in schema order, of those that both sides tell of."""
    return tuple(
        Difference(group, parameter, before[key], after[key])
        for group in groups for parameter in group.parameters
        if (key := (group.name, parameter.name)) in before and key in after
        and not _values_equal(before[key], after[key], parameter))


def given_values(groups: Iterable[AnyGroup], raws: StoreRaws,
                 without: Collection[str] = ()) -> Values:
    """Return values that are given as such, raws by group and field. The groups `without` a record
    must have none."""
    found = {}
    for group in groups:
        given = raws.get(group.name, {})
        for parameter in group.parameters:
            names = [f.name for f in parameter.fields]
            if group.name in without:
                found[group.name, parameter.name] = StoredValue(Absence.NO_RECORD)
            elif all(name in given for name in names):
                found[group.name, parameter.name] = StoredValue({n: given[n] for n in names})
    return found


def _values_equal(one: StoredValue, other: StoredValue, parameter: Parameter) -> bool:
    """Return whether values are the same, those that are stored in place of defaults as well; a NaN
    is like every NaN, although it equals none."""
    sides = [(side.raws, side.reset and [side.reset.values[f.name] for f in parameter.fields])
             for side in (one, other)]
    return sides[0] == sides[1] or repr(sides[0]) == repr(sides[1])


def byte_differences(before: Examination, after: Examination) -> tuple[ByteRange, ...]:
    """Return what differs byte by byte, in order of addresses, runs of one owner together."""
    found: list[ByteRange] = []
    sides = places_of(before), places_of(after)
    for address, one, other in _diff_bytes(before.dump, after.dump, before.size):
        owner = _owner_of(sides, address)
        if found:
            last = found[-1]
            size = max(len(last.before), len(last.after))
            if last.owner == owner and last.address + size == address and (
                    (bool(last.before), bool(last.after)) == (bool(one), bool(other))):
                found[-1] = ByteRange(last.address, owner, last.before + one, last.after + other)
                continue
        found.append(ByteRange(address, owner, one, other))
    return tuple(found)


def _owner_of(sides: Iterable[Places], address: int) -> ByteOwner:
    """Return what has the byte at an address in any of the dumps."""
    area, names = "", []
    for places in sides:
        region = places.region_at(address)
        if region.kind in (RegionKind.LABEL, RegionKind.SLOT):
            area = region.title
        names += [c.name for c in places.claims(address) if c.present is not False]
    return ByteOwner(area, tuple(dict.fromkeys(names)))


def _diff_bytes(before: Dump, after: Dump, most: int) -> Iterator[tuple[int, bytes, bytes]]:
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
