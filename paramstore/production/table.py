"""A table of units, checked row by row: cells to raws, with every mistake at its place.

Reading is a stream, so a table may be as long as it likes; nothing is kept of
the rows gone by. Knows no records and no images.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from paramstore.core.disk import read_text
from paramstore.core.errors import Finding, FindingsError, Severity, Span, errors_in
from paramstore.core.scalars import Raw, StoreRaws
from paramstore.core.words import plural, show_number
from paramstore.image.values import read_values
from paramstore.image.values_out import toml_value
from paramstore.image.wording import breach_help, breach_text
from paramstore.production.cells import NOT_GIVEN
from paramstore.production.columns import Entry, column_name, read_header
from paramstore.production.database import SerialsSeen
from paramstore.production.entries import AtCell, EntryReader, Taken
from paramstore.production.packer import has_numpy
from paramstore.production.rows import TableLine, TableRow, read_rows
from paramstore.production.serials import SERIAL, SerialPlace
from paramstore.schema.breaches import BreachKind, breaches
from paramstore.schema.from_raw import parameter_from_raw
from paramstore.schema.model import Field, Schema
from paramstore.schema.to_raw import Loss, ValueProblem

if TYPE_CHECKING:
    from paramstore.production.bulk import BulkReader

__all__ = ["MOST_ERRORS", "Block", "TableReader", "UnitRow", "table_parameters"]

MOST_ERRORS = 500
"""After so many mistakes a table is not read on."""

_CODE_OF_PROBLEM = {
    "type": "PS941", "whole": "PS941", "count": "PS941", "finite": "PS941", "unit": "PS941",
    "fit": "PS943", "limit": "PS943", "date": "PS943",
    "member": "PS944",
    "text": "PS945", "length": "PS945",
    "rising": "PS946",
}


@dataclass(slots=True)
class UnitRow:
    """One unit: its number in the table from 1, its serial number if the table gives it, the raws
    that differ from the constants (None if they are in the columns of its block), and the same as
    a values file, `given`."""

    number: int
    row: TableRow
    serial: str | None
    values: StoreRaws | None
    given: str


@dataclass(frozen=True, slots=True)
class Block:
    """Rows that follow each other in a table: how many, and those without mistakes.

    `columns` has raws by names of group and field, as arrays of numpy with a line for each of
    `units`; of units with `values`, the constants. It is empty without numpy.
    """

    rows: int
    units: Sequence[UnitRow]
    columns: Mapping[tuple[str, str], Any]

    def only(self, keep: Sequence[bool]) -> Block:
        """Return the block with some of its units."""
        if all(keep):
            return self
        kept = [index for index, wanted in enumerate(keep) if wanted]
        return Block(self.rows, [self.units[i] for i in kept],
                     {key: column[kept] for key, column in self.columns.items()})


def table_parameters(schema: Schema, path: str) -> frozenset[tuple[str, str]]:
    """Return which parameters, pairs of group and name, a table gives. Mistakes are left for its
    reader to tell. Raises as `read_rows`."""
    header = next(read_rows(path, []), None)
    entries = read_header(schema, header, []) if header and header.texts else ()
    return frozenset((e.group.name, e.parameter.name) for e in entries)


@dataclass(slots=True)
class _Rounding:
    """How storage rounds one column: where it was met first, how often, the worst."""

    row: TableRow
    field: Field
    worst: Loss
    span: Span | None = None
    rows: int = 0


@dataclass(slots=True)
class TableReader:
    """Reads the units of a table. `constants` has every field of every group; what a row and its
    values file in the folder `calibrations` give comes on top of them. A row may fill in no cell of
    an `optional` group: the unit has no values there. `left_out` has the parameters, by
    group, that the constants have the defaults of because nothing was given. A value of a unit's
    file that is among those `measured_once` for all units is none of its own. With numpy, and if
    `bulk` does not say otherwise, usual rows are read many at once."""

    schema: Schema
    path: str
    place: SerialPlace
    constants: StoreRaws
    calibrations: str | None = None
    bulk: bool = True
    optional: Collection[str] = ()
    left_out: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    measured_once: StoreRaws = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    _entries: tuple[Entry, ...] = ()
    _readers: list[EntryReader] = field(default_factory=list)
    _rounded: dict[str, _Rounding] = field(default_factory=dict)
    _broken: set[str] = field(default_factory=set)

    def blocks(self, size: int) -> Iterator[Block]:
        """Yield the units, `size` rows at a time; `findings` has all mistakes, anew each time.

        Raises FindingsError if the header cannot be used, or after `MOST_ERRORS`.
        """
        self.findings.clear()
        self._rounded.clear()
        rows = read_rows(self.path, self.findings)
        header = next(rows, None)
        if header is None:
            self._refuse("the table is empty", "begin with a line of column names, such as "
                         f"`{column_name(self.place.group, self.place.parameter)}`")
        self._entries = read_header(self.schema, header, self.findings) if header.texts else ()
        if errors_in(self.findings):
            raise FindingsError(self.findings)
        self._broken = {group.name for group in self.schema.groups
                        if breaches(group, self.constants[group.name])}
        self._readers = [EntryReader(entry) for entry in self._entries]
        bulk = self._bulk_reader()
        width, number = len(header.texts), 0
        with SerialsSeen() as seen:
            while lines := list(islice(rows, size)):
                firsts = seen.add(self._serials(lines, width))
                yield self._block(lines, number, width, bulk, firsts)
                number += len(lines)
        if not number and not errors_in(self.findings):
            self._refuse("the table has a header, but no units", "add a line for each unit")
        self.findings.extend(self._roundings())

    @property
    def numbered(self) -> bool:
        """Whether the table has a column of serial numbers; known once a row was read."""
        return self._serial_column() is not None

    def without(self, unit: UnitRow) -> tuple[str, ...]:
        """Return the optional groups that a unit has no values of."""
        columns = {e.group.name for e in self._entries}
        return tuple(g for g in self.optional if not (unit.values or {}).get(g, g in columns))

    def in_part(self, unit: UnitRow) -> Iterator[tuple[str, str]]:
        """Yield the parameters, by group and name, of which a unit has no value, though it has some
        of their group."""
        columns = {(e.group.name, e.parameter.name) for e in self._entries}
        bare = self.without(unit)
        for group in self.schema.groups:
            first = {p.name: p.first.name for p in group.parameters}
            for name in () if group.name in bare else self.left_out.get(group.name, ()):
                given = (first[name] in unit.values.get(group.name, {}) if unit.values is not None
                         else (group.name, name) in columns)
                if not given:
                    yield group.name, name

    def place_of(self, unit: UnitRow) -> Span:
        """Return where in its line a unit says which one it is."""
        return self._place(unit.row)

    def _refuse(self, message: str, help: str) -> NoReturn:
        finding = Finding("PS931", f"{message}", TableLine(self.path, "", 0), help=help)
        raise FindingsError([*self.findings, finding])

    # ---- Blocks --------------------------------------------------------------------------------

    def _bulk_reader(self) -> BulkReader | None:
        # A calibration is a file for each unit: nothing is gained where that is read.
        if not self.bulk or self.calibrations is not None or not has_numpy():
            return None
        from paramstore.production.bulk import BulkReader

        return BulkReader(self.schema.groups, self._readers, self.place, self.constants)

    def _serials(self, lines: Sequence[TableRow], width: int) -> list[tuple[str, int]]:
        """Return the serial numbers in some rows that can be one, each with its line."""
        at = self._serial_column()
        return [] if at is None else [
            (row.texts[at], row.number) for row in lines
            if len(row.texts) == width and SERIAL.fullmatch(row.texts[at])]

    def _block(self, lines: list[TableRow], number: int, width: int, bulk: BulkReader | None,
               firsts: Mapping[int, int]) -> Block:
        """Return the units of some rows; `number` rows came before, and `firsts` says where serial
        numbers stood first that are not new."""
        at = self._serial_column()
        done = None if bulk is None else bulk.read([
            row.texts if len(row.texts) == width else [""] * width for row in lines])
        usual = done.usual.tolist() if done else [False] * len(lines)
        units, kept = [], []
        for index, row in enumerate(lines):
            serial = row.texts[at] if usual[index] and at is not None else None
            if done and usual[index] and row.number not in firsts and (
                    serial is None or SERIAL.fullmatch(serial)):
                unit: UnitRow | None = UnitRow(number + index + 1, row, serial, None,
                                               done.given[index])
            else:
                usual[index] = False
                unit = self._unit(number + index + 1, row, width, firsts)
                if len(self.findings) > MOST_ERRORS:
                    raise FindingsError(self.findings)
            if unit is not None:
                units.append(unit)
                kept.append(index)
        if done is None:
            return Block(len(lines), units, {})
        for rounded in done.rounded(usual):
            for index, rows in ((rounded.first, rounded.rows), (rounded.worst, 0)):
                self._take(lines[index], rounded.reader, rows)
        whole = len(kept) == len(lines)
        return Block(len(lines), units,
                     {key: c if whole else c[kept] for key, c in done.columns.items()})

    # ---- Rows ----------------------------------------------------------------------------------

    def _unit(self, number: int, row: TableRow, width: int,
              firsts: Mapping[int, int]) -> UnitRow | None:
        before = len(self.findings)
        if len(row.texts) != width:
            if row.texts:
                self._refuse_width(row, width)
            return None
        values: dict[str, dict[str, tuple[Raw, ...]]] = {}
        given: dict[str, dict[str, str]] = {}
        serial = self._serial(row, firsts)
        values |= {group: {} for group in self._empty(row)}
        for reader in self._readers:
            group, parameter = reader.entry.group.name, reader.entry.parameter.name
            if values.get(group) == {}:
                continue  # not one cell of it is filled in
            if reader.entry.name == self.place.name and serial is None:
                continue  # it has its finding
            if all(row.texts[column] == NOT_GIVEN for column, _ in reader.entry.cells):
                continue
            taken = self._take(row, reader)
            if taken is not None:
                values.setdefault(group, {}).update(taken.raws)
                given.setdefault(group, {})[parameter] = taken.given
        if serial is not None and self.calibrations is not None:
            self._calibrate(serial, row, values, given)
        if len(self.findings) == before:
            self._check_order(row, values)
        if len(self.findings) > before:
            return None
        if serial is not None:
            del given[self.place.group.name][self.place.parameter.name]
        return UnitRow(number, row, serial, values, _toml(self.schema, given))

    def _empty(self, row: TableRow) -> Iterator[str]:
        """Yield the optional groups of which a row fills in no cell."""
        for group in self.optional:
            cells = [row.cells[column] for e in self._entries if e.group.name == group
                     for column, _ in e.cells]
            if cells and all(c.text == NOT_GIVEN or not (c.text or c.quoted) for c in cells):
                yield group

    def _take(self, row: TableRow, reader: EntryReader, rows: int = 1) -> Taken | None:
        """Return a value; None if it has a finding. Its rounding counts for so many rows."""
        entry = reader.entry
        cells = [row.cells[column] for column, _ in entry.cells]
        try:
            taken = reader(tuple((c.text, c.quoted) for c in cells))
        except AtCell as error:
            cell, problem = cells[error.index], error.problem
            self._add(problem.code, problem.message, row, cell.span, help=problem.help)
            return None
        except ValueProblem as problem:
            cell = row.cells[entry.column(problem.path)]
            self._add(_CODE_OF_PROBLEM[problem.kind], problem.message, row, cell.span,
                      notes=problem.notes, help=problem.help)
            return None
        for f, losses in taken.losses:
            self._note_rounding(row, entry, f, losses, rows)
        return taken

    def _serial_column(self) -> int | None:
        return next((e.cells[0][0] for e in self._entries if e.name == self.place.name), None)

    def _place(self, row: TableRow) -> Span:
        """Return where a row says which unit it is."""
        at = self._serial_column()
        return row.span if at is None else row.cells[at].span

    def _serial(self, row: TableRow, firsts: Mapping[int, int]) -> str | None:
        """Return the serial number of a row; findings PS951 and PS952."""
        at = self._serial_column()
        if at is None:
            return None
        text, span = row.cells[at].text, row.cells[at].span
        if not SERIAL.fullmatch(text):
            message = (f"`{text}` cannot be a serial number" if text
                       else "the unit has no serial number")
            help = ("format the column as text before the numbers go in" if "E+" in text
                    else "use up to 64 letters, digits, `.`, `_` and `-`" if text
                    else "fill it in, or take the row out")
            self._add("PS951", message, row, span, help=help)
            return None
        first = firsts.get(row.number)
        if first is not None:
            self._add("PS952", f"the serial number `{text}` stands twice in the table",
                      row, span, notes=(f"first in line {first}",),
                      help="give each unit a number of its own")
        return text

    def _calibrate(self, serial: str, row: TableRow, values: dict[str, dict[str, tuple[Raw, ...]]],
                   given: dict[str, dict[str, str]]) -> None:
        """Add the values of a unit's own file; findings PS956, PS957, and those of the file."""
        path = Path(self.calibrations or "", f"{serial}.toml")
        if not path.is_file():
            self._add("PS956", f"unit {serial} has no calibration", row, self._place(row),
                      notes=(f"there is no `{path}`",),
                      help="calibrate it, or take the row out")
            return
        try:
            own = read_values(self.schema, read_text(path), partial=True)
        except FindingsError as error:
            self.findings.extend(error.findings)
            return
        for group in self.schema.groups:
            fields = own.values.get(group.name, {})
            for parameter in group.parameters:
                raws = {f.name: fields[f.name] for f in parameter.fields if f.name in fields}
                if not raws or raws.items() <= self.measured_once.get(group.name, {}).items():
                    continue
                clash = parameter.name in given.get(group.name, {})
                if clash and any(values[group.name][n] != r for n, r in raws.items()):
                    self._add("PS957", f"`{group.name}.{parameter.name}` of unit {serial} differs "
                              "between the table and its calibration", row, self._place(row),
                              notes=(f"the calibration is `{path}`",),
                              help="take it out of one of them; `#` before its name leaves the "
                              "column out")
                values.setdefault(group.name, {}).update(raws)
                given.setdefault(group.name, {})[parameter.name] = toml_value(
                    parameter_from_raw(parameter, raws))

    def _check_order(self, row: TableRow, values: StoreRaws) -> None:
        """Check `below` on what will be stored (PS947)."""
        for group in self.schema.groups:
            changed = values.get(group.name)
            if not (changed or group.name in self._broken) or not any(
                    p.below for p in group.parameters):
                continue
            stored = {**self.constants[group.name], **(changed or {})}
            for breach in breaches(group, stored):
                if breach.kind is BreachKind.BELOW:
                    names = (breach.parameter.name, str(breach.parameter.below))
                    entry = next((e for e in self._entries if e.group is group
                                  and e.parameter.name in names), None)
                    span = row.cells[entry.cells[0][0]].span if entry else row.span
                    here = [e.parameter.name for e in self._entries if e.group is group]
                    notes = tuple(f"`{n}` is not in the table" for n in names if n not in here)
                    self._add("PS947", breach_text(breach, group, stored), row, span,
                              notes=notes, help=breach_help(breach, stored))

    def _refuse_width(self, row: TableRow, width: int) -> None:
        cells = row.cells
        if len(cells) > width and any(c.text.lstrip("+-").isdigit() for c in cells[1:]):
            help = "quote a text that has a comma in it; write numbers with a decimal point: 7.01"
        else:
            help = "give one cell for each column; quote a text that has a comma in it"
        self._add("PS939", f"the row has {plural(len(cells), 'cell')}, the header "
                  f"{plural(width, 'column')}", row, row.span, help=help)

    # ---- Rounding ------------------------------------------------------------------------------

    def _note_rounding(self, row: TableRow, entry: Entry, f: Field,
                       losses: tuple[Loss, ...], rows: int) -> None:
        worst = max(losses, key=lambda loss: abs(loss.error))
        noted = self._rounded.setdefault(f"{entry.group.name}.{f.name}", _Rounding(row, f, worst))
        if row.number <= noted.row.number:
            noted.row, noted.span = row, row.cells[entry.column(losses[0].path)].span
        noted.rows += rows
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
                noted.row.source, noted.span,
                notes=(f"at most {show_number(abs(noted.worst.error))}{unit} off{steps}",),
                help="round the column yourself, or give the parameter a finer type",
                severity=Severity.WARNING)

    def _add(self, code: str, message: str, row: TableRow, span: Span, *,
             notes: tuple[str, ...] = (), help: str = "") -> None:
        self.findings.append(Finding(code, message, row.source, span, notes=notes, help=help))


def _toml(schema: Schema, given: Mapping[str, Mapping[str, str]]) -> str:
    """Return the values as a values file, in schema order."""
    blocks = []
    for group in schema.groups:
        values = given.get(group.name)
        if values:
            lines = [f"{p.name} = {values[p.name]}" for p in group.parameters
                     if p.name in values]
            blocks.append("\n".join([f"[{group.name}]", *lines]))
    return "\n".join(blocks)
