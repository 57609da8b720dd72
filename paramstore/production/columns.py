"""The header of a table of units: which columns make which parameters.

A column is called GROUP.PARAMETER, with the unit in brackets. An array or a curve has one column
for all of it, or one for each element: `factory.ntc[0]`, `factory.ec_curve[0].x`. Knows no cells
below the header.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from paramstore.calibrate.cells import Cell
from paramstore.calibrate.units import same_spelling
from paramstore.core.errors import Finding, Span
from paramstore.core.words import code_list, did_you_mean, near_words, plural
from paramstore.production.rows import TableRow
from paramstore.schema.model import Field, Group, Kind, Parameter, Schema

__all__ = ["Entry", "column_name", "read_header"]

_NAME = re.compile(
    r"([A-Za-z0-9_]+)\.([A-Za-z0-9_]+)(?:\[(\d{1,5})\](?:\.([xy]))?)?\s*(?:\[([^\[\]]*)\])?")
_REMARKS = ("remark", "remarks", "note", "notes", "comment")
_NO_UNIT = ("", "1", "-")
Path = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """One parameter of the table. `cells` has (column, place in the value) pairs: one pair with
    the place () for a whole parameter, else one for each element."""

    group: Group
    parameter: Parameter
    cells: tuple[tuple[int, Path], ...]
    span: Span

    @property
    def name(self) -> str:
        """GROUP.PARAMETER."""
        return f"{self.group.name}.{self.parameter.name}"

    @property
    def whole(self) -> bool:
        """Whether one cell has the whole value."""
        return self.cells[0][1] == ()

    def column(self, path: Path) -> int:
        """Return the column in which the element at `path` stands."""
        return next((c for c, p in self.cells if p == path[:len(p)]), self.cells[0][0])


def column_name(group: Group, parameter: Parameter) -> str:
    """Return the name of the column of a whole parameter, with its unit."""
    return f"{group.name}.{parameter.name}{_bracket(_unit(parameter.fields))}"


def read_header(schema: Schema, row: TableRow, findings: list[Finding]) -> tuple[Entry, ...]:
    """Return the parameters of a table; findings PS933 to PS937 if it cannot be used."""
    return _Header(schema, row, findings).read()


@dataclass(slots=True)
class _Header:
    schema: Schema
    row: TableRow
    findings: list[Finding]
    found: dict[tuple[str, str], dict[Path, int]] = field(default_factory=dict)

    def read(self) -> tuple[Entry, ...]:
        cells = self.row.cells
        first, *others = cells
        if not others and (other := re.search(r"[;\t]", first.text)):
            name = {";": "semicolons", "\t": "tabs"}[other[0]]
            self._add("PS933", f"the columns are separated by {name}, not by commas",
                      first.span,
                      notes=("spreadsheets do so where the decimal separator is a comma",)
                      if other[0] == ";" else (),
                      help="export with commas between columns and a point in numbers")
            return ()
        if not any("." in c.text and re.search(r"[A-Za-z]", c.text) for c in cells):
            self._add("PS934", "the table has no header", self.row.span,
                      help=f"begin with a line such as `{','.join(self._examples())}`")
            return ()
        for index, cell in enumerate(cells):
            if not cell.text.startswith("#") and cell.text.casefold() not in _REMARKS:
                self._column(index, cell)
        entries = tuple(self._entries())
        if not entries and not self.findings:
            self._add("PS934", "no column is a parameter", self.row.span,
                      help=f"name columns like `{self._examples()[0]}`")
        return entries

    def _column(self, index: int, cell: Cell) -> None:
        match = _NAME.fullmatch(cell.text)
        if match is None:
            known = self._names()
            help = did_you_mean(cell.text, known) or self._of_group(cell.text)
            self._add("PS934", f"`{cell.text}` is not GROUP.PARAMETER and a unit in brackets"
                      if cell.text else "a column has no name", cell.span,
                      help=help or f"write it like `{self._examples()[0]}`"
                      + ("; `#` before a name leaves the column out" if cell.text
                         else ", or take the column out if it is empty"))
            return
        parameter = self._parameter(match[1], match[2], cell)
        if parameter is None:
            return
        path, fields = self._path(parameter, match[3], match[4], cell)
        if path is None or not self._unit_fits(_unit(fields), match[5], cell):
            return
        places = self.found.setdefault((match[1], parameter.name), {})
        clash = next((p for p in places if p == path or () in (p, path)), None)
        if clash is None:
            places[path] = index
            return
        what = "two columns are" if clash == path else "a column and columns of its elements are"
        self._add("PS934", f"{what} called `{match[1]}.{parameter.name}`", cell.span,
                  label="again here", also=((self.row.cells[places[clash]].span, "first here"),),
                  help="take one out, or begin its name with `#`")

    def _parameter(self, group_name: str, name: str, cell: Cell) -> Parameter | None:
        for group in self.schema.groups:
            if group.name == group_name and name in (p.name for p in group.parameters):
                return group.parameter(name)
        known = self._names()
        full = f"{group_name}.{name}"
        own = [n for n in known if n.partition(".")[0] == group_name]
        help = did_you_mean(full, known)
        if not near_words(full, known):
            help = (f"group `{group_name}` has {code_list(n.partition('.')[2] for n in own)}"
                    if own else f"the groups are {code_list(g.name for g in self.schema.groups)}")
        self._add("PS935", f"the schema has no parameter `{full}`", cell.span,
                  help=help + (" `#`" if help.endswith("?") else "; `#`")
                  + " before the name leaves the column out")
        return None

    def _path(self, parameter: Parameter, index: str | None, axis: str | None,
              cell: Cell) -> tuple[Path | None, tuple[Field, ...]]:
        """Return the place of a column in its parameter, None if it has none, and its fields."""
        if index is None:
            return (), parameter.fields
        curve = parameter.kind is Kind.CURVE
        first = parameter.first
        several = first.array or curve
        if not several or bool(axis) != curve:
            wanted = "`[0].x` and `[0].y`" if curve else "`[0]`" if several else "no index"
            self._add("PS934", f"`{parameter.name}` takes {wanted}", cell.span,
                      help="name the column of the whole parameter, or one for each element")
            return None, parameter.fields
        if int(index) >= first.count:
            self._add("PS934", f"`{parameter.name}` has {plural(first.count, 'element')}: there is "
                      f"no `[{index}]`", cell.span,
                      help=f"elements count from 0 to {first.count - 1}")
            return None, parameter.fields
        if not curve:
            return (int(index),), parameter.fields
        number = "xy".index(axis or "x")
        return (int(index), number), parameter.fields[number:number + 1]

    def _unit_fits(self, wanted: str, given: str | None, cell: Cell) -> bool:
        if same_spelling(given or "", wanted) or (
                wanted in _NO_UNIT and (given or "") in _NO_UNIT):
            return True
        name = cell.text.rpartition(" [")[0] if given else cell.text
        says = f"is in `{given}`, not in `{wanted}`" if given and wanted else (
            f"is in `{given}`, but has no unit" if given else "has no unit")
        self._add("PS936", f"the column `{name}` {says}", cell.span,
                  help=f"write `{name}{_bracket(wanted)}`"
                  + (", and give the numbers in that unit" if wanted else ""))
        return False

    def _entries(self) -> Iterator[Entry]:
        for group in self.schema.groups:
            for parameter in group.parameters:
                places = self.found.get((group.name, parameter.name))
                if places:
                    cells = tuple(sorted(((c, p) for p, c in places.items()), key=lambda e: e[1]))
                    span = self.row.cells[cells[0][0]].span
                    if () not in places:
                        self._check_whole(group, parameter, places, span)
                    yield Entry(group, parameter, cells, span)

    def _check_whole(self, group: Group, parameter: Parameter, places: dict[Path, int],
                     span: Span) -> None:
        count = parameter.first.count
        curve = parameter.kind is Kind.CURVE
        every = {(i, a) for i in range(count) for a in (0, 1)} if curve else {
            (i,) for i in range(count)}
        missing = sorted(every - places.keys())
        if missing:
            names = [f"{group.name}.{parameter.name}[{p[0]}]" + (f".{'xy'[p[1]]}" if curve else "")
                     for p in missing]
            self._add("PS937", f"`{parameter.name}` lacks {plural(len(names), 'column')}", span,
                      notes=(f"there is no {code_list(names, 'and', 6)}",),
                      help="give every element, or one column for all of them")

    # ---- Words ---------------------------------------------------------------------------------

    def _names(self) -> list[str]:
        return [f"{g.name}.{p.name}" for g in self.schema.groups for p in g.parameters]

    def _of_group(self, name: str) -> str:
        bare = re.match(r"\w*", name)
        owners = [n for n in self._names() if bare and n.partition(".")[2] == bare[0]]
        return f"write {code_list(owners, 'or')}" if owners else ""

    def _examples(self) -> list[str]:
        return [column_name(g, p) for g in self.schema.groups for p in g.parameters][:3]

    def _add(self, code: str, message: str, span: Span, *, label: str = "",
             notes: tuple[str, ...] = (), help: str = "",
             also: tuple[tuple[Span, str], ...] = ()) -> None:
        self.findings.append(Finding(code, message, self.row.source, span, label, notes, help,
                                     also))


def _unit(fields: tuple[Field, ...]) -> str:
    first, *others = units = [f.unit for f in fields]
    return " ".join(u or "1" for u in units) if others and any(units) else first


def _bracket(unit: str) -> str:
    return f" [{unit}]" if unit not in _NO_UNIT else ""
