"""The cells of one parameter in a row to its value and raws.

Knows no rows and no places: an error says which of the cells is meant.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from paramstore.calibrate.cells import Cell
from paramstore.core.errors import ParamstoreError, Span
from paramstore.core.scalars import GroupRaws
from paramstore.image.values_out import toml_value
from paramstore.production.cells import CellProblem, element_value, field_value, points_value
from paramstore.production.columns import Entry
from paramstore.schema.from_raw import Physical
from paramstore.schema.model import Field, Kind
from paramstore.schema.to_raw import Loss, parameter_to_raw

__all__ = ["AtCell", "EntryReader", "Taken"]

_CACHED = 256
_NOWHERE = Span(1, 1, 1, 1)
_Texts = tuple[tuple[str, bool], ...]
"""The texts of the cells of one parameter, and whether each was quoted."""


@dataclass(frozen=True, slots=True)
class Taken:
    """One value: as TOML, as raws by field name, and what storage rounds."""

    given: str
    raws: GroupRaws
    losses: tuple[tuple[Field, tuple[Loss, ...]], ...] = ()


class AtCell(ParamstoreError):
    """The problem of one of the cells of a parameter."""

    def __init__(self, index: int, problem: CellProblem) -> None:
        super().__init__()
        self.index, self.problem = index, problem


class EntryReader:
    """Cells of one parameter to its value; the same texts are converted once."""

    def __init__(self, entry: Entry) -> None:
        self.entry = entry
        self._cached = lru_cache(_CACHED)(self._read)

    def __call__(self, texts: _Texts) -> Taken:
        """Return the value. Raises AtCell and ValueProblem."""
        return self._cached(texts)

    def _read(self, texts: _Texts) -> Taken:
        parameter, fields = self.entry.parameter, self.entry.parameter.fields
        values: list[Physical] = []
        for index, ((text, quoted), (_, path)) in enumerate(
                zip(texts, self.entry.cells, strict=True)):
            cell = Cell(text, _NOWHERE, quoted)
            try:
                if not self.entry.whole:
                    values.append(element_value(fields[path[-1] if len(path) > 1 else 0], cell))
                elif parameter.kind is Kind.CURVE:
                    values.append(points_value(fields, cell))
                else:
                    values.append(field_value(fields[0], cell))
            except CellProblem as problem:
                raise AtCell(index, problem) from problem
        if self.entry.whole:
            value = values[0]
        elif parameter.kind is Kind.CURVE:
            value = [values[i:i + 2] for i in range(0, len(values), 2)]
        else:
            value = values
        done = parameter_to_raw(parameter, value)
        return Taken(toml_value(value), {name: c.raws for name, c in done.items()}, tuple(
            (f, done[f.name].losses) for f in fields if done[f.name].losses))
