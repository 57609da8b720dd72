"""Rows of a table to columns of raws, many rows at once, with numpy.

Rows that are usual in every cell are converted here, with the results that `entries` has cell by
cell, many times as fast. The others are named and left alone. Knows no findings and no records.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from paramstore.core.scalars import Raw, StoreRaws
from paramstore.image.values_out import toml_value
from paramstore.production.cells import NOT_GIVEN
from paramstore.production.columns import Entry
from paramstore.production.entries import AtCell, EntryReader
from paramstore.production.numbers import converter, dtype_of, number_texts
from paramstore.production.rows import EMPTY
from paramstore.production.serials import SerialPlace
from paramstore.schema.model import Field, Group, Kind, Parameter
from paramstore.schema.to_raw import ValueProblem

__all__ = ["BulkReader", "Rounded", "UsualRows"]

Flags = NDArray[np.bool_]
Columns = dict[tuple[str, str], NDArray[Any]]
"""Raws by names of group and field: a line for each row."""


@dataclass(frozen=True, slots=True)
class Rounded:
    """A field that storage rounds in `rows` rows: the first of them, and the one where it is
    worst."""

    reader: EntryReader
    field: Field
    rows: int
    first: int
    worst: int


@dataclass(slots=True)
class UsualRows:
    """Some rows of a table. `usual` says which of them are; of the others `columns` has the
    constants, and what `given` (the values file of each row) has is meaningless."""

    usual: Flags
    columns: Columns
    given: list[str]
    moved: list[tuple[EntryReader, Field, NDArray[np.float64]]]

    def rounded(self, rows: Sequence[bool]) -> Iterator[Rounded]:
        """Yield what storage rounds in the rows that are true."""
        for reader, field, moved in self.moved:
            most = np.abs(moved).max(axis=1) * np.array(rows)
            where = np.flatnonzero(most)
            if len(where):
                yield Rounded(reader, field, len(where), int(where[0]), int(most.argmax()))


class BulkReader:
    """Reads rows cells of which `readers` take. `constants` has every field of every group."""

    def __init__(self, groups: Sequence[Group], readers: Sequence[EntryReader],
                 place: SerialPlace,
                 constants: StoreRaws) -> None:
        self._columns = [_Column(reader) for reader in readers]
        self._constants = constants
        self._serial = place.name
        names = {reader.entry.name for reader in readers}
        self._rules = [
            (group, low, group.parameter(low.below)) for group in groups for low in group.parameters
            if low.below and names & {f"{group.name}.{low.name}", f"{group.name}.{low.below}"}]
        self._form = _given_form([r.entry for r in readers if r.entry.name != place.name])

    def read(self, rows: Sequence[Sequence[str]]) -> UsualRows:
        """Return what the rows hold, all as long as the header."""
        count = len(rows)
        cells = list(zip(*rows, strict=True))
        done = UsualRows(np.ones(count, np.bool_), {}, [], [])
        texts = []
        for column in self._columns:
            own = [cells[at] for at, _ in column.entry.cells]
            for missing in (c for c in own if NOT_GIVEN in c):
                done.usual &= np.array([text != NOT_GIVEN for text in missing])
            given = column.read(own, count, done)
            if column.entry.name != self._serial:
                texts.append(given)
        for group, low, high in self._rules:
            a, b = (self._raws(done, group, p) for p in (low, high))
            done.usual &= (a < b).all(axis=1)
        done.given = list(map(self._form.format, *texts)) if texts else [""] * count
        if not done.usual.all():
            for key, raws in done.columns.items():
                done.columns[key] = raws = raws.copy()
                raws[~done.usual] = self._constants[key[0]][key[1]]
        return done

    def _raws(self, done: UsualRows, group: Group, parameter: Parameter) -> NDArray[Any]:
        field = parameter.first
        constant = np.array([self._constants[group.name][field.name]], dtype_of(field.scalar))
        return done.columns.get((group.name, field.name), constant)


class _Column:
    """One parameter of the table, in one column or in several."""

    def __init__(self, reader: EntryReader) -> None:
        self.entry = reader.entry
        self._reader = reader
        converters = [converter(f) for f in self.entry.parameter.fields]
        self._converters = None if None in converters else [c for c in converters if c]
        self._curve = self.entry.parameter.kind is Kind.CURVE
        self._several = self._curve or self.entry.parameter.first.array

    def read(self, cells: Sequence[Sequence[str]], count: int, done: UsualRows) -> Sequence[str]:
        """Add the columns of all fields to `done`; return the values as TOML."""
        if self._converters is None:
            return self._one_by_one(cells, done)
        parts = []
        fields = self.entry.parameter.fields
        for field, convert, texts in zip(fields, self._converters, self._texts(cells), strict=True):
            elements = convert(texts)
            raws = elements.raws.reshape(count, field.count)
            shape = (count, len(texts) // count)
            done.usual &= elements.usual.reshape(shape).all(axis=1)
            if field.rising:
                done.usual &= np.less(raws[:, :-1], raws[:, 1:]).all(axis=1)
            done.columns[self.entry.group.name, field.name] = raws
            if elements.moved is not None:
                done.moved.append((self._reader, field, elements.moved.reshape(shape)))
            parts.append([toml_value(text.rstrip(EMPTY)) for text in texts]
                         if field.kind is Kind.TEXT else number_texts(texts, elements.usual))
        return self._toml(parts)

    def _texts(self, cells: Sequence[Sequence[str]]) -> list[Sequence[str]]:
        """Return the texts of the elements, of all rows, for each field."""
        axes = range(len(self.entry.parameter.fields))
        if not self._several:
            return [cells[0]]
        if not self.entry.whole:
            places = [path[-1] if self._curve else 0 for _, path in self.entry.cells]
            return [list(chain.from_iterable(zip(*(
                c for c, place in zip(cells, places, strict=True) if place == axis), strict=True)))
                for axis in axes]
        elements = self.entry.parameter.first.count
        unusual = [[""] * len(axes)] * elements
        split = []
        for text in cells[0]:
            points = [p.split() if self._curve else [p.strip()] for p in text.split(";")]
            fits = len(points) == elements and all(len(p) == len(axes) for p in points)
            split.append(points if fits else unusual)
        return [[point[axis] for points in split for point in points] for axis in axes]

    def _toml(self, parts: list[Sequence[str]]) -> Sequence[str]:
        if not self._several:
            return parts[0]
        points = parts[0]
        if self._curve:
            points = [f"[{', '.join(point)}]" for point in zip(*parts, strict=True)]
        step = self.entry.parameter.first.count
        return [f"[{', '.join(points[at:at + step])}]" for at in range(0, len(points), step)]

    def _one_by_one(self, cells: Sequence[Sequence[str]], done: UsualRows) -> Sequence[str]:
        """Convert cells of which there are few kinds, each kind once."""
        group, fields = self.entry.group.name, self.entry.parameter.fields
        given = []
        raws: list[list[tuple[Raw, ...]]] = [[] for _ in fields]
        for index, texts in enumerate(zip(*cells, strict=True)):
            try:
                taken = self._reader(tuple((text, False) for text in texts))
            except (AtCell, ValueProblem):
                taken = None
            if taken is None or taken.losses:
                done.usual[index] = False
            given.append(taken.given if taken else "")
            for f, column in zip(fields, raws, strict=True):
                column.append(taken.raws[f.name] if taken else f.default)
        for f, column in zip(fields, raws, strict=True):
            done.columns[group, f.name] = np.array(column, dtype_of(f.scalar))
        return given


def _given_form(entries: Sequence[Entry]) -> str:
    """Return a values file with a hole for each value."""
    lines: list[str] = []
    for entry in entries:
        head = f"[{entry.group.name}]"
        lines += [] if head in lines else [head]
        lines.append(f"{entry.parameter.name} = {{}}")
    return "\n".join(lines)
