"""The cells of one parameter in a row to its value and raws.

Knows no rows and no places: an error says which of the cells is meant.
"""

from __future__ import annotations

from functools import lru_cache

from paramstore.calibrate.cells import Cell
from paramstore.errors import ParamstoreError, Span
from paramstore.production.cells import CellProblem, element_value, field_value, points_value
from paramstore.production.columns import Entry
from paramstore.schema.model import Kind
from paramstore.schema.quantity import Conversion, Physical, parameter_to_raw

__all__ = ["AtCell", "EntryReader"]

_CACHED = 256
_NOWHERE = Span(1, 1, 1, 1)
_Texts = tuple[tuple[str, bool], ...]
"""The texts of the cells of one parameter, and whether each was quoted."""


class AtCell(ParamstoreError):
    """The problem of one of the cells of a parameter."""

    def __init__(self, index: int, problem: CellProblem) -> None:
        super().__init__()
        self.index, self.problem = index, problem


class EntryReader:
    """Cells of one parameter to its value; the same texts are converted once."""

    def __init__(self, entry: Entry) -> None:
        self._entry = entry
        self._cached = lru_cache(_CACHED)(self._read)

    def __call__(self, texts: _Texts) -> tuple[Physical, dict[str, Conversion]]:
        """Return the physical value and its raws. Raises AtCell and ValueProblem."""
        return self._cached(texts)

    def _read(self, texts: _Texts) -> tuple[Physical, dict[str, Conversion]]:
        parameter, fields = self._entry.parameter, self._entry.parameter.fields
        values: list[Physical] = []
        for index, ((text, quoted), (_, path)) in enumerate(
                zip(texts, self._entry.cells, strict=True)):
            cell = Cell(text, _NOWHERE, quoted)
            try:
                if not self._entry.whole:
                    values.append(element_value(fields[path[-1] if len(path) > 1 else 0], cell))
                elif parameter.kind is Kind.CURVE:
                    values.append(points_value(fields, cell))
                else:
                    values.append(field_value(fields[0], cell))
            except CellProblem as problem:
                raise AtCell(index, problem) from problem
        if self._entry.whole:
            value = values[0]
        elif parameter.kind is Kind.CURVE:
            value = [values[i:i + 2] for i in range(0, len(values), 2)]
        else:
            value = values
        return value, parameter_to_raw(parameter, value)
