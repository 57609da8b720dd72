"""A table of units, checked row by row: cells to raws, with every mistake at its place.

Reading is a stream, so a table may be as long as it likes; nothing is kept of
the rows gone by. Knows no records and no images.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

from paramstore.errors import Finding, FindingsError, Severity, Span, errors_in
from paramstore.files import read_text
from paramstore.image.breaches import BreachKind, breaches
from paramstore.image.values import read_values
from paramstore.image.values_out import toml_value
from paramstore.image.wording import breach_help, breach_text
from paramstore.production.columns import Entry, column_name, read_header
from paramstore.production.entries import AtCell, EntryReader
from paramstore.production.rows import TableLine, TableRow, read_rows
from paramstore.production.seen import SerialsSeen
from paramstore.production.serials import SERIAL, SerialPlace
from paramstore.scalars import Raw
from paramstore.schema.model import Field, Schema
from paramstore.schema.quantity import (
    Conversion,
    Loss,
    Physical,
    ValueProblem,
    parameter_from_raw,
)
from paramstore.schema.words import plural, show_number

__all__ = ["MOST_ERRORS", "TableReader", "UnitRow"]

MOST_ERRORS = 500
"""After so many mistakes a table is not read on."""

_CODE_OF_PROBLEM = {
    "type": "PS941", "whole": "PS941", "count": "PS941", "finite": "PS941", "unit": "PS941",
    "fit": "PS943", "limit": "PS943", "date": "PS943",
    "member": "PS944",
    "text": "PS945", "length": "PS945",
    "rising": "PS946",
}
Raws = dict[str, dict[str, tuple[Raw, ...]]]


@dataclass(frozen=True, slots=True)
class UnitRow:
    """One unit: its number in the table from 1, its serial number if the table gives it, the raws
    that differ from the constants, and the same as a values file, `given`."""

    number: int
    source: TableLine
    span: Span
    serial: str | None
    values: Raws
    given: str


@dataclass(slots=True)
class _Rounding:
    """How storage rounds one column: where it was met first, how often, the worst."""

    source: TableLine
    span: Span
    field: Field
    worst: Loss
    rows: int = 0


@dataclass(slots=True)
class TableReader:
    """Reads the units of a table. `constants` has every field of every group; what a row and its
    values file in the folder `calibrations` give comes on top of them."""

    schema: Schema
    path: str
    place: SerialPlace
    constants: Mapping[str, Mapping[str, tuple[Raw, ...]]]
    calibrations: str | None = None
    findings: list[Finding] = field(default_factory=list)
    _entries: tuple[Entry, ...] = ()
    _rounded: dict[str, _Rounding] = field(default_factory=dict)

    def units(self) -> Iterator[UnitRow | None]:
        """Yield every unit, None for a row with mistakes; `findings` has these, anew each time.

        Raises FindingsError if the header cannot be used, or after `MOST_ERRORS`.
        """
        self.findings.clear()
        self._rounded.clear()
        rows = read_rows(self.path, self.findings)
        header = next(rows, None)
        if header is None:
            self._refuse("the table is empty", "begin with a line of column names, such as "
                         f"`{column_name(self.place.group, self.place.parameter)}`")
        self._entries = read_header(self.schema, header, self.findings)
        if errors_in(self.findings):
            raise FindingsError(self.findings)
        read = [(e, EntryReader(e)) for e in self._entries]
        number = 0
        with SerialsSeen() as seen:
            for row in rows:
                number += 1
                yield self._unit(number, row, len(header.cells), read, seen)
                if len(self.findings) > MOST_ERRORS:
                    raise FindingsError(self.findings)
        if not number and not errors_in(self.findings):
            self._refuse("the table has a header, but no units", "add a line for each unit")
        self.findings.extend(self._roundings())

    @property
    def numbered(self) -> bool:
        """Whether the table has a column of serial numbers; known once a row was read."""
        return any(e.name == self.place.name for e in self._entries)

    def _refuse(self, message: str, help: str) -> NoReturn:
        finding = Finding("PS931", f"{message}", TableLine(self.path, "", 0), help=help)
        raise FindingsError([*self.findings, finding])

    # ---- Rows ----------------------------------------------------------------------------------

    def _unit(self, number: int, row: TableRow, width: int, read: list[tuple[Entry, EntryReader]],
              seen: SerialsSeen) -> UnitRow | None:
        before = len(self.findings)
        if len(row.cells) != width:
            self._refuse_width(row, width)
            return None
        values: Raws = {}
        physical: dict[str, dict[str, Physical]] = {}
        serial, span = self._serial(row, seen)
        for entry, reader in read:
            if entry.name == self.place.name and serial is None:
                continue  # it has its finding
            taken = self._take(row, entry, reader)
            if taken is not None:
                value, conversions = taken
                values.setdefault(entry.group.name, {}).update(
                    (n, c.raws) for n, c in conversions.items())
                physical.setdefault(entry.group.name, {})[entry.parameter.name] = value
        if serial is not None and self.calibrations is not None:
            self._calibrate(serial, row.source, span, values, physical)
        if len(self.findings) == before:
            self._check_order(row, values)
        if len(self.findings) > before:
            return None
        if serial is not None:
            del physical[self.place.group.name][self.place.parameter.name]
        return UnitRow(number, row.source, span, serial, values, _toml(self.schema, physical))

    def _take(self, row: TableRow, entry: Entry,
              reader: EntryReader) -> tuple[Physical, dict[str, Conversion]] | None:
        cells = [row.cells[column] for column, _ in entry.cells]
        try:
            value, conversions = reader(tuple((c.text, c.quoted) for c in cells))
        except AtCell as error:
            cell, problem = cells[error.index], error.problem
            self._add(problem.code, problem.message, row.source, cell.span, help=problem.help)
            return None
        except ValueProblem as problem:
            cell = row.cells[entry.column(problem.path)]
            self._add(_CODE_OF_PROBLEM[problem.kind], problem.message, row.source, cell.span,
                      notes=problem.notes, help=problem.help)
            return None
        for f in entry.parameter.fields:
            if conversions[f.name].losses:
                self._note_rounding(row, entry, f, conversions[f.name].losses)
        return value, conversions

    def _serial(self, row: TableRow, seen: SerialsSeen) -> tuple[str | None, Span]:
        """Return the serial number of a row and its place; findings PS951 and PS952."""
        entry = next((e for e in self._entries if e.name == self.place.name), None)
        if entry is None:
            return None, row.span
        cell = row.cells[entry.cells[0][0]]
        if not SERIAL.fullmatch(cell.text):
            message = (f"`{cell.text}` cannot be a serial number" if cell.text
                       else "the unit has no serial number")
            help = ("format the column as text before the numbers go in" if "E+" in cell.text
                    else "use up to 64 letters, digits, `.`, `_` and `-`" if cell.text
                    else "fill it in, or take the row out")
            self._add("PS951", message, row.source, cell.span, help=help)
            return None, cell.span
        first = seen.add(cell.text, row.source.number)
        if first is not None:
            self._add("PS952", f"the serial number `{cell.text}` stands twice in the table",
                      row.source, cell.span, notes=(f"first in line {first}",),
                      help="give each unit a number of its own")
        return cell.text, cell.span

    def _calibrate(self, serial: str, source: TableLine, span: Span, values: Raws,
                   physical: dict[str, dict[str, Physical]]) -> None:
        """Add the values of a unit's own file; findings PS956, PS957, and those of the file."""
        path = Path(self.calibrations or "", f"{serial}.toml")
        if not path.is_file():
            self._add("PS956", f"unit {serial} has no calibration", source, span,
                      notes=(f"there is no `{path}`",),
                      help="calibrate it, or take the row out")
            return
        try:
            given = read_values(self.schema, read_text(path))
        except FindingsError as error:
            self.findings.extend(error.findings)
            return
        for group in self.schema.groups:
            fields = given.values.get(group.name, {})
            for parameter in group.parameters:
                raws = {f.name: fields[f.name] for f in parameter.fields if f.name in fields}
                if not raws:
                    continue
                clash = parameter.name in physical.get(group.name, {})
                if clash and any(values[group.name][n] != r for n, r in raws.items()):
                    self._add("PS957", f"`{group.name}.{parameter.name}` of unit {serial} differs "
                              "between the table and its calibration", source, span,
                              notes=(f"the calibration is `{path}`",),
                              help="take it out of one of them")
                values.setdefault(group.name, {}).update(raws)
                physical.setdefault(group.name, {})[parameter.name] = parameter_from_raw(
                    parameter, raws)

    def _check_order(self, row: TableRow, values: Raws) -> None:
        """Check `below` on what will be stored (PS947)."""
        for group in self.schema.groups:
            changed = values.get(group.name)
            if not changed or not any(p.below for p in group.parameters):
                continue
            stored = {**self.constants[group.name], **changed}
            for breach in breaches(group, stored):
                if breach.kind is BreachKind.BELOW:
                    names = (breach.parameter.name, str(breach.parameter.below))
                    entry = next((e for e in self._entries if e.group is group
                                  and e.parameter.name in names), None)
                    span = row.cells[entry.cells[0][0]].span if entry else row.span
                    here = [e.parameter.name for e in self._entries if e.group is group]
                    notes = tuple(f"`{n}` is not in the table" for n in names if n not in here)
                    self._add("PS947", breach_text(breach, group, stored), row.source, span,
                              notes=notes, help=breach_help(breach, stored))

    def _refuse_width(self, row: TableRow, width: int) -> None:
        cells = row.cells
        if len(cells) > width and any(c.text.lstrip("+-").isdigit() for c in cells[1:]):
            help = "quote a text that has a comma in it; write numbers with a decimal point: 7.01"
        else:
            help = "give one cell for each column; quote a text that has a comma in it"
        self._add("PS939", f"the row has {plural(len(cells), 'cell')}, the header "
                  f"{plural(width, 'column')}", row.source, row.span, help=help)

    # ---- Rounding ------------------------------------------------------------------------------

    def _note_rounding(self, row: TableRow, entry: Entry, f: Field,
                       losses: tuple[Loss, ...]) -> None:
        span = row.cells[entry.column(losses[0].path)].span
        worst = max(losses, key=lambda loss: abs(loss.error))
        noted = self._rounded.setdefault(
            f"{entry.group.name}.{f.name}", _Rounding(row.source, span, f, worst))
        noted.rows += 1
        if abs(worst.error) > abs(noted.worst.error):
            noted.worst = worst

    def _roundings(self) -> Iterator[Finding]:
        for name, noted in self._rounded.items():
            f = noted.field
            unit = f" {f.unit}" if f.unit else ""
            steps = (f"; its steps are {show_number(f.scale)}{unit}" if f.scaled else
                     f"; {f.scalar.name} has no more digits")
            yield Finding(
                "PS948", f"`{name}` is rounded in {plural(noted.rows, 'row')}, first here",
                noted.source, noted.span,
                notes=(f"at most {show_number(abs(noted.worst.error))}{unit} off{steps}",),
                help="round the column yourself, or give the parameter a finer type",
                severity=Severity.WARNING)

    def _add(self, code: str, message: str, source: TableLine, span: Span, *,
             notes: tuple[str, ...] = (), help: str = "") -> None:
        self.findings.append(Finding(code, message, source, span, notes=notes, help=help))


def _toml(schema: Schema, physical: Mapping[str, Mapping[str, Physical]]) -> str:
    """Return the values as a values file, in schema order."""
    blocks = []
    for group in schema.groups:
        values = physical.get(group.name)
        if values:
            lines = [f"{p.name} = {toml_value(values[p.name])}" for p in group.parameters
                     if p.name in values]
            blocks.append("\n".join([f"[{group.name}]", *lines]))
    return "\n".join(blocks)
