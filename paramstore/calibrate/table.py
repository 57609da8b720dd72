"""Tables of bench measurements: CSV text to numbers by unit serial, mistakes at their places.

The header names the columns, with their units: `reference [pH],reading [mV]`. Which columns and
units are wanted comes from the calibration that the table is for.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from paramstore.calibrate.buffers import BUFFERS, buffer_ph
from paramstore.calibrate.cells import Cell, Row, split_rows
from paramstore.calibrate.numbers import read_number
from paramstore.calibrate.recipe import Calibration
from paramstore.calibrate.units import same_spelling
from paramstore.core.errors import Finding, FindingsError, Severity, SourceText, Span, errors_in
from paramstore.core.words import code_list, did_you_mean, near_words, plural

__all__ = ["COLUMNS", "MAX_ROWS", "SERIAL_TEXT", "Measurement", "Table", "read_table"]

COLUMNS = ("reference", "buffer", "reading", "uncertainty", "temperature", "channel", "serial")
EXPANDED = ("u", "expanded", "expanded uncertainty", "expanded_uncertainty")
"""Columns of expanded uncertainties, which would weigh wrong."""
REMARKS = ("remark", "remarks", "note", "notes", "comment", "operator", "date", "time", "no", "nr")
"""Columns that are left alone without a word."""
MAX_ROWS = 20_000
_HEADER = re.compile(r"([^\[\]]*?)\s*(?:\[([^\[\]]*)\])?")
SERIAL_TEXT = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_NONE = ("", "1", "-")
_NO_UNIT = ("buffer", "channel", "serial")
ABSOLUTE_ZERO_C = -273.15


@dataclass(frozen=True, slots=True)
class Measurement:
    """One row. `uncertainty` is a standard uncertainty in the unit of the reference, `temperature`
    in degC; `span` is where the reading stands; `channel` 0 without channels."""

    reference: float
    reading: float
    span: Span
    uncertainty: float | None = None
    temperature: float | None = None
    channel: int = 0


@dataclass(frozen=True, slots=True)
class Table:
    """A whole table: measurements by serial, in the order of the file; "" if it has no serials."""

    source: SourceText
    units: dict[str, tuple[Measurement, ...]]
    warnings: tuple[Finding, ...] = ()


def read_table(source: SourceText, calibration: Calibration) -> Table:
    """Return the measurements in `source` for a calibration.

    FindingsError with every mistake (PS811 to PS824), and the warnings among them.
    """
    reader = _Reader(source, calibration)
    reader.read()
    if errors_in(reader.findings):
        raise FindingsError(reader.findings)
    return Table(source, {s: tuple(rows) for s, rows in reader.units.items()},
                 tuple(sorted(reader.findings, key=lambda f: f.sort_key)))


@dataclass(slots=True)
class _Reader:
    source: SourceText
    calibration: Calibration
    findings: list[Finding] = field(default_factory=list)
    units: dict[str, list[Measurement]] = field(default_factory=dict)

    def read(self) -> None:
        source = self.source
        if source.text.startswith("\ufeff"):
            self._add("PS811", "the file begins with a byte-order mark", Span(1, 1, 1, 2),
                      notes=("it was left out",), help="save it as UTF-8 without one",
                      severity=Severity.WARNING)
            # A blank in its place keeps the columns of the first line.
            source = SourceText(source.path, " " + source.text[1:])
        rows = split_rows(source, self.findings)
        header = next(rows, None)
        if header is None:
            self._add("PS811", "the table is empty", None,
                      help=f"begin with a line such as `{self._example()}`")
            return
        columns = self._columns(header)
        if columns is None:
            return
        for number, row in enumerate(rows):
            if number == MAX_ROWS:
                self._add("PS811", f"the table has more than {MAX_ROWS} rows", row[0].span,
                          help="a calibration has tens of points: take means first")
                return
            self._row(row, len(header), columns)
        if not self.units and not errors_in(self.findings):
            self._add("PS811", "the table has a header, but no measurements", header[0].span,
                      help="add a line for each measurement")

    # ---- Header --------------------------------------------------------------------------------

    def _columns(self, header: Row) -> dict[str, int] | None:
        """Return the index of each column that is used; None if the rows cannot be read."""
        if len(header) == 1 and (other := re.search(r"[;\t]", header[0].text)):
            name = {";": "semicolons", "\t": "tabs"}[other[0]]
            self._add("PS813", f"the columns are separated by {name}, not by commas",
                      header[0].span,
                      notes=("spreadsheets do so where the decimal separator is a comma",)
                      if other[0] == ";" else (),
                      help="export with commas between columns and a point in numbers")
            return None
        if all(_is_number(cell.text) for cell in header):
            self._add("PS814", "the table has no header", header[0].span,
                      help=f"begin with a line such as `{self._example()}`")
            return None
        found: dict[str, int] = {}
        for index, cell in enumerate(header):
            self._column(index, cell, found, header)
        if errors_in(self.findings):
            return None  # a column that seems to be missing may be the one that is misspelt
        if "buffer" in found and "reference" in found:
            self._add("PS814", "the columns `reference` and `buffer` say the same in two ways",
                      header[found["buffer"]].span, help="take one out")
        for name in self._wanted():
            if name not in found and not (name == "reference" and "buffer" in found):
                self._add("PS815", f"the table has no column `{name}`", header[0].span,
                          label="the header", help=f"add a column `{self._head(name)}`"
                          + (", or `temperature_c` to the recipe" if name == "temperature" else ""))
        return None if errors_in(self.findings) else found

    def _column(self, index: int, cell: Cell, found: dict[str, int], header: Row) -> None:
        match = _HEADER.fullmatch(cell.text)
        name = match[1].casefold() if match else ""
        if not match or not name:
            self._add("PS814", f"`{cell.text}` is not a name and a unit in brackets" if cell.text
                      else "a column has no name", cell.span,
                      help=f"write it like `{self._head('reading')}`"
                      + ("" if cell.text else ", or take the column out if it is empty"))
            return
        if name in found:
            self.findings.append(Finding(
                "PS814", f"two columns are called `{name}`", self.source, cell.span, "again here",
                help="take one out, or rename it",
                also=((header[found[name]].span, "first here"),)))
        elif name == "channel" and not self.calibration.channels:
            self._add("PS816", "the recipe says nothing of channels", cell.span,
                      notes=("all channels would go into one fit",),
                      help="write `channels = true` in the recipe, or take the other channels out")
        elif name in COLUMNS and (name != "buffer" or self.calibration.model == "ph"):
            found[name] = index
            self._check_unit(name, match[2], cell)
        elif name in EXPANDED:
            self._add("PS816", f"`{match[1]}` is an expanded uncertainty, not a standard one",
                      cell.span, notes=("U = k u, and the certificate says k: mostly 2",),
                      help=f"divide by k, and head the column `{self._head('uncertainty')}`")
        elif name not in REMARKS:
            near = near_words(name, [c for c in COLUMNS if c not in found])
            self._add("PS816", f"the column `{name}` is not used", cell.span,
                      help=did_you_mean(name, near) if near
                      else f"the columns are {code_list(COLUMNS)}; a `remark` is left alone",
                      severity=Severity.ERROR if near else Severity.WARNING)

    def _check_unit(self, name: str, unit: str | None, cell: Cell) -> None:
        wanted = self._unit(name)
        if name in _NO_UNIT or same_spelling(unit or "", wanted) or (
                wanted in _NONE and (unit or "") in _NONE):
            return
        given = f"is in `{unit}`, not in `{wanted}`" if unit else "has no unit"
        self._add("PS817", f"the column `{name}` {given}", cell.span,
                  help=f"write `{self._head(name)}`, and give the numbers in that unit")

    def _unit(self, name: str) -> str:
        if name == "temperature":
            return "degC"
        return (self.calibration.reading_unit if name == "reading"
                else self.calibration.reference_unit)

    def _head(self, name: str) -> str:
        unit = self._unit(name)
        return name if name in _NO_UNIT or unit in _NONE else f"{name} [{unit}]"

    def _wanted(self) -> list[str]:
        warm = self.calibration.temperature_used and self.calibration.number(
            "temperature_c") is None
        return ["reference", "reading", *(["temperature"] if warm else []),
                *(["channel"] if self.calibration.channels else [])]

    def _example(self) -> str:
        return ",".join(self._head(name) for name in self._wanted())

    # ---- Rows ----------------------------------------------------------------------------------

    def _row(self, row: Row, width: int, columns: Mapping[str, int]) -> None:
        if len(row) != width:
            self._refuse_width(row, width)
            return
        before = len(self.findings)
        values: dict[str, float] = {}
        for name, index in columns.items():
            if name in ("buffer", "serial"):
                continue
            number = read_number(row[index], self.source, name, self.findings)
            if number is not None and not self._impossible(name, number, row[index]):
                values[name] = number
        if "buffer" in columns and len(self.findings) == before:
            ph = self._buffer(row[columns["buffer"]], values)
            if ph is not None:
                values["reference"] = ph
        serial = self._serial(row[columns["serial"]]) if "serial" in columns else ""
        if len(self.findings) == before and serial is not None:
            self.units.setdefault(serial, []).append(Measurement(
                values["reference"], values["reading"], row[columns["reading"]].span,
                values.get("uncertainty"),
                values.get("temperature", self.calibration.number("temperature_c")),
                int(values.get("channel", 0))))

    def _refuse_width(self, row: Row, width: int) -> None:
        last = row[-1].span
        span = Span(last.line, row[0].span.column, last.line, last.end_column)
        if len(row) > width and all(re.fullmatch(r"[+-]?\d+", c.text) for c in row):
            self._add("PS818", "the decimals of this row seem to have commas", span,
                      notes=(f"the header has {plural(width, 'column')}, the row would have "
                             f"{len(row)}",),
                      help="write numbers with a decimal point: 7.01")
            return
        self._add("PS819", f"the row has {plural(len(row), 'cell')}, the header "
                  f"{plural(width, 'column')}", span,
                  help="give one cell for each column; quote a text that has a comma in it")

    def _impossible(self, name: str, number: float, cell: Cell) -> bool:
        if name == "channel":
            return self._no_channel(number, cell)
        low, what = {
            "uncertainty": (0.0, "an uncertainty is greater than 0"),
            "temperature": (ABSOLUTE_ZERO_C, "nothing is as cold as -273.15 degC"),
        }.get(name, (None, ""))
        if self._resistance and name in ("reading", "reference"):
            low, what = ((0.0, "a resistance is greater than 0") if name == "reading" else
                         (ABSOLUTE_ZERO_C, "nothing is as cold as -273.15 degC"))
        if self.calibration.options.get("gives") == "percent" and name == "reading" and number == 0:
            low, what = 0.0, "nothing is a percentage of a reading of 0"
        full_scale = self.calibration.number("full_scale")
        beyond = full_scale is not None and name == "reading" and abs(number) > full_scale
        if beyond:
            what = f"the whole range has {full_scale:g} readings"
        elif low is None or number > low:
            return False
        self._add("PS822", f"`{name}` = {cell.text} cannot be", cell.span, notes=(what,),
                  help="mend the number, or take the row out")
        return True

    def _buffer(self, cell: Cell, values: Mapping[str, float]) -> float | None:
        """Return the pH of the buffer in a cell at the temperature of the row."""
        if cell.text not in BUFFERS:
            self._add("PS822", f"there is no buffer `{cell.text}`" if cell.text else
                      "the buffer is missing", cell.span,
                      help=did_you_mean(cell.text, list(BUFFERS))
                      or f"write {code_list(BUFFERS, 'or')}, or the pH as `reference`")
            return None
        warm = values.get("temperature", self.calibration.number("temperature_c"))
        assert warm is not None  # else the column would be missing
        ph = buffer_ph(cell.text, warm)
        if ph is None:
            published = BUFFERS[cell.text]
            self._add("PS822", f"nothing is published of `{cell.text}` at {warm:g} degC", cell.span,
                      notes=(f"its table has {min(published)} to {max(published)} degC",),
                      help="measure at another temperature, or give the pH as `reference`")
        return ph

    def _no_channel(self, number: float, cell: Cell) -> bool:
        count = self.calibration.channels
        if number in range(count):
            return False
        self._add("PS822", f"there is no channel {cell.text}", cell.span,
                  notes=(f"the arrays of the recipe have {count} elements, from 0",),
                  help=f"write a channel from 0 to {count - 1}")
        return True

    @property
    def _resistance(self) -> bool:
        return self.calibration.info.reading_unit == "ohm"

    def _serial(self, cell: Cell) -> str | None:
        if SERIAL_TEXT.fullmatch(cell.text):
            return cell.text
        self._add("PS823", f"`{cell.text}` cannot be a serial number" if cell.text
                  else "a serial number is missing", cell.span,
                  notes=("serial numbers name files: letters, digits, `.`, `_` and `-`, up to 64, "
                         "the first a letter or a digit",),
                  help="give every row the serial number of its unit")
        return None

    def _add(self, code: str, message: str, span: Span | None, *, help: str,
             label: str = "", notes: tuple[str, ...] = (),
             severity: Severity = Severity.ERROR) -> None:
        self.findings.append(Finding(code, message, self.source, span, label, notes, help,
                                     severity=severity))


def _is_number(text: str) -> bool:
    return re.fullmatch(r"[+-]?[\d.]+([eE][+-]?\d+)?", text) is not None
