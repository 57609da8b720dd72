"""One cell of a table of units to a physical value, as `schema.to_raw` takes it.

Finds what people and spreadsheets write instead of a value. Knows no rows and no limits.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal

from paramstore.calibrate.cells import Cell
from paramstore.calibrate.numbers import without_thousands
from paramstore.core.errors import ParamstoreError
from paramstore.core.words import ordinal
from paramstore.schema.from_raw import Physical
from paramstore.schema.model import Field, Kind
from paramstore.schema.numbers import parse_quantity

__all__ = ["NOT_GIVEN", "CellProblem", "element_value", "field_value", "points_value"]

NOT_GIVEN = "-"
"""A cell that gives no value, as if the row had no such column. An empty cell may be forgotten."""

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
_FORMULA = re.compile(r"[=@]|[+-](?=[A-Za-z(])|#[A-Z/0]+[!?A]?$")
_TEXT_FORMULA = re.compile(r"=|#(REF!|NAME\?|VALUE!|DIV/0!|N/A|NUM!|NULL!)$")
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity|∞)", re.IGNORECASE)
_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?")
_NEUTRALISED = re.compile(r"^'(?='*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20])")
_BOOLS = {"true": True, "false": False}


class CellProblem(ParamstoreError):
    """A cell holds no value of its parameter; `code`, `message` and `help` as in a finding."""

    def __init__(self, code: str, message: str, help: str) -> None:
        super().__init__(message)
        self.code, self.message, self.help = code, message, help


def field_value(field: Field, cell: Cell) -> Physical:
    """Return the value for a whole field: elements of an array are separated by `;`."""
    if field.array and ";" in cell.text:
        return [element_value(field, Cell(part.strip(), cell.span))
                for part in cell.text.split(";")]
    return element_value(field, cell)


def points_value(axes: tuple[Field, ...], cell: Cell) -> Physical:
    """Return the points of a curve, written as "0 1.5; 100 2.5"."""
    name = axes[0].name.rpartition(".")[0]
    if not cell.text:
        raise _empty(name)
    points = []
    for index, point in enumerate(cell.text.split(";")):
        numbers = point.split()
        if len(numbers) != len(axes):
            raise CellProblem("PS941", f"the {ordinal(index + 1)} point of `{name}` is not a pair "
                              "of numbers", "write points like `0 1.5; 100 2.5`")
        points.append([element_value(axis, Cell(number, cell.span))
                       for axis, number in zip(axes, numbers, strict=True)])
    return points


def element_value(field: Field, cell: Cell) -> Physical:
    """Return the value for one element. Raises CellProblem if the cell cannot be one."""
    if cell.text == NOT_GIVEN:
        raise CellProblem("PS941", f"`{field.name}` is given in part",
                          f"give all of its elements, or `{NOT_GIVEN}` for each")
    if not cell.text and not (field.kind is Kind.TEXT and cell.quoted):
        raise _empty(field.name, '; an empty text is `""`' if field.kind is Kind.TEXT else "")
    return _READERS.get(field.kind, _number)(field, cell.text)


def _empty(name: str, more: str = "") -> CellProblem:
    return CellProblem("PS941", f"`{name}` has no value in this row",
                       f"fill it in, or write `{NOT_GIVEN}` if there is none" + more)


def _bool(field: Field, text: str) -> Physical:
    if text.casefold() not in _BOOLS:
        raise CellProblem("PS941", f"`{field.name}` cannot be `{text}`", "write true or false")
    return _BOOLS[text.casefold()]


def _enum(field: Field, text: str) -> Physical:
    return text


def _flags(field: Field, text: str) -> Physical:
    if text == "none" and text not in (name for name, _ in field.members):
        return []
    return [name.strip() for name in text.split("+")]


def _text(field: Field, text: str) -> Physical:
    if _TEXT_FORMULA.match(text):
        raise _formula(text, "a text")
    return _NEUTRALISED.sub("", text)


def _bytes(field: Field, text: str) -> Physical:
    if _FORMULA.match(text):
        raise _formula(text, "hexadecimal bytes")
    return text


def _date(field: Field, text: str) -> Physical:
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise CellProblem("PS941", f"`{text}` is not a date", "write it like 2026-01-31")


def _number(field: Field, text: str) -> Physical:
    """Return a Decimal, or a text that `schema.to_raw` takes for a number with its unit."""
    if _NUMBER.fullmatch(text):
        return Decimal(text)
    if _NOT_FINITE.fullmatch(text):
        raise CellProblem("PS941", f"`{text}` is no number that can be stored",
                          "give a finite number, or take the row out")
    if _FORMULA.match(text):
        raise _formula(text, "a number")
    if text.startswith(("−", "–", "—")) and _NUMBER.fullmatch("-" + text[1:]):
        raise CellProblem("PS941", f"`{text}` has a dash (U+{ord(text[0]):04X}) for its minus sign",
                          f"write `-{text[1:]}`")
    if _GROUPED.fullmatch(text) and (text.count(",") > 1 or "." in text):
        raise CellProblem("PS940", f"`{text}` has commas between its thousands",
                          f"write `{text.replace(',', '')}`")
    if "," in text and _NUMBER.fullmatch(plain := text.replace(".", "").replace(",", ".")):
        raise CellProblem("PS940", f"`{text}` has a decimal comma", f"write `{plain}`")
    if bare := without_thousands(text):
        raise CellProblem("PS940", f"`{text}` has marks or spaces between its thousands",
                          f"write `{bare}`")
    if parse_quantity(text) is None:
        raise CellProblem("PS941", f"`{text}` is not a number",
                          "write a number with a decimal point: 7.01")
    return text


def _formula(text: str, wanted: str) -> CellProblem:
    what = "an error of a spreadsheet" if text.startswith("#") else "a formula"
    return CellProblem("PS942", f"`{text}` is {what}, not {wanted}",
                       "export the values of the cells, not their formulas")


_READERS: dict[Kind, Callable[[Field, str], Physical]] = {
    Kind.BOOL: _bool, Kind.ENUM: _enum, Kind.FLAGS: _flags, Kind.TEXT: _text, Kind.BYTES: _bytes,
    Kind.DATE: _date,
}
