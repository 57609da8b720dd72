"""One cell of a table to a number, and what people and spreadsheets write instead of one."""

from __future__ import annotations

import re

from paramstore.calibrate.cells import Cell
from paramstore.core.errors import Finding, SourceText

__all__ = ["read_number", "without_thousands"]

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
_FORMULA = re.compile(r"[=@]|[+-](?=[A-Za-z(])|#[A-Z/0]+[!?A]?$")
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity|∞)", re.IGNORECASE)
_WITH_UNIT = re.compile(r"([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*([^\d\s.,].*)")
_GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+\.\d+")
_APART = r"[ \u00a0\u2009\u202f'\u2019]"
_THOUSANDS = re.compile(rf"[+-]?\d{{1,3}}({_APART}\d{{3}})+([.,]\d+)?", re.ASCII)
LARGEST, SMALLEST = 1e30, 1e-30
"""Beyond any measurement, and such that squares and cubes of what lies between stay finite.
What is smaller is the rounding of a program that wrote the table, and taken as 0."""


def without_thousands(text: str) -> str | None:
    """Return a number that has spaces or apostrophes between its thousands as one without, with a
    decimal point; None for other texts."""
    if not _THOUSANDS.fullmatch(text):
        return None
    return re.sub(_APART, "", text).replace(",", ".")


def read_number(cell: Cell, source: SourceText, column: str,
                findings: list[Finding]) -> float | None:
    """Return the number in a cell; None, with a finding (PS818 to PS821), if there is none."""
    text = cell.text
    if _NUMBER.fullmatch(text):
        number = float(text)
        if abs(number) <= LARGEST:
            return number if abs(number) >= SMALLEST else 0.0
        code, message, help = "PS820", f"`{text}` is larger than any measurement", "mend the number"
    else:
        code, message, help = _problem(text, column)
    findings.append(Finding(code, message, source, cell.span, help=help))
    return None


def _problem(text: str, column: str) -> tuple[str, str, str]:
    """Return code, message and help for a text that is no number."""
    if not text:
        return ("PS820", f"the {column} is missing", "fill it in, or take the row out")
    if _NOT_FINITE.fullmatch(text):
        return ("PS820", f"`{text}` is no measurement", "take the row out")
    if _FORMULA.match(text):
        what = "an error of a spreadsheet" if text.startswith("#") else "a formula"
        return ("PS821", f"`{text}` is {what}, not a number",
                "export the values of the cells, not their formulas")
    if text.startswith(("−", "–", "—")) and _NUMBER.fullmatch("-" + text[1:]):
        return ("PS820", f"`{text}` has a dash (U+{ord(text[0]):04X}) for its minus sign",
                f"write `-{text[1:]}`")
    if _GROUPED.fullmatch(text):
        return ("PS818", f"`{text}` has commas between its thousands",
                f"write `{text.replace(',', '')}`")
    if "," in text and _NUMBER.fullmatch(plain := text.replace(".", "").replace(",", ".")):
        return ("PS818", f"`{text}` has a decimal comma", f"write `{plain}`")
    if bare := without_thousands(text):
        return ("PS818", f"`{text}` has marks or spaces between its thousands", f"write `{bare}`")
    if found := _WITH_UNIT.fullmatch(text):
        return ("PS820", f"`{text}` is not a number alone",
                f"write `{found[1]}`; a unit stands in the header")
    return ("PS820", f"`{text}` is not a number", "write a number with a decimal point: 7.01")
