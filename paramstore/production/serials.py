"""Serial numbers: what may be one, the patterns that they are counted by, and their parameter.

Knows no table and no records: which numbers are taken is for `records` to say.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from paramstore.core.errors import Finding, FindingsError, SourceText, Span, ToolError
from paramstore.core.words import code_list, did_you_mean, plural
from paramstore.schema.from_raw import Physical
from paramstore.schema.model import Group, Kind, Parameter, Role, Schema
from paramstore.schema.to_raw import ValueProblem, parameter_to_raw

__all__ = ["SERIAL", "Pattern", "SerialPlace", "read_pattern", "serial_place"]

SERIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
"""What a serial number may be: it becomes the name of a file and a word on a label."""

_MOST_DIGITS = 15


@dataclass(frozen=True, slots=True)
class Pattern:
    """How serial numbers are counted: `before`, `digits` digits, `after`."""

    before: str
    digits: int
    after: str

    def __str__(self) -> str:
        return f"{self.before}{'#' * self.digits}{self.after}"

    @property
    def last(self) -> int:
        """The largest number that has a serial number."""
        return int(10 ** self.digits) - 1

    def serial(self, number: int) -> str:
        """Return the serial number that counts as `number`."""
        return f"{self.before}{number:0{self.digits}}{self.after}"


@dataclass(frozen=True, slots=True)
class SerialPlace:
    """The parameter that holds the serial number of a unit."""

    group: Group
    parameter: Parameter

    @property
    def name(self) -> str:
        """GROUP.PARAMETER."""
        return f"{self.group.name}.{self.parameter.name}"

    @property
    def key(self) -> tuple[str, str]:
        """The names of group and field."""
        return self.group.name, self.parameter.first.name

    def physical(self, serial: str) -> Physical:
        """Return a serial number as a value of the parameter."""
        return serial if self.parameter.kind is Kind.TEXT else int(serial)

    def means(self, serial: str, value: Physical) -> bool:
        """Return whether a value of the parameter is that of a serial number."""
        try:
            return bool(self.physical(serial) == value)
        except ValueError:
            return False  # a text, and the parameter is a number

    def raws(self, serial: str) -> Sequence[int]:
        """Return a serial number, one that fits, as raws of the parameter."""
        if self.parameter.kind is Kind.TEXT:
            return serial.encode("ascii").ljust(self.parameter.first.count, b"\0")
        return (int(serial),)


def read_pattern(text: str, place: SerialPlace) -> Pattern:
    """Return the pattern in `text`; FindingsError (PS955) if it is none, or does not fit."""
    found = re.fullmatch(r"([^#]*)(#+)([^#]*)", text)
    if not found or len(found[2]) > _MOST_DIGITS or not SERIAL.fullmatch(text.replace("#", "0")):
        raise _refusal(text, f"`{text}` is not a pattern of serial numbers",
                       "write a serial number with one run of `#` for the digits that count: "
                       "TP-26-####")
    pattern = Pattern(found[1], len(found[2]), found[3])
    try:
        parameter_to_raw(place.parameter, place.physical(pattern.serial(pattern.last)))
    except ValueError as error:
        raise _refusal(text, f"`{place.name}` is a number, and `{text}` is not digits alone",
                       "use `#` and digits only") from error
    except ValueProblem as problem:
        raise _refusal(text, problem.message, problem.help, (
            f"the last serial number would be {pattern.serial(pattern.last)}",)) from problem
    return pattern


def serial_place(schema: Schema, name: str | None = None) -> SerialPlace:
    """Return the parameter GROUP.PARAMETER that holds serial numbers, by default the one called
    `serial` in a group of role identity. ToolError if there is none, or it cannot hold them."""
    known = [SerialPlace(g, p) for g in schema.groups for p in g.parameters]
    if name is None:
        found = [p for p in known
                 if p.group.role is Role.IDENTITY and p.parameter.name == "serial"]
        help = "say which one holds it with --serial-parameter GROUP.PARAMETER"
        if len(found) != 1:
            raise ToolError(f"the schema has {plural(len(found), 'parameter')} `serial` in groups "
                            "of role identity", help)
    else:
        found = [p for p in known if p.name == name]
        if not found:
            names = [p.name for p in known]
            raise ToolError(f"the schema has no parameter `{name}`",
                            did_you_mean(name, names) or f"it has {code_list(names)}")
    (place,) = found
    whole = place.parameter.kind is Kind.INTEGER and not place.parameter.first.scaled
    if place.parameter.kind is Kind.CURVE or place.parameter.first.array or not (
            whole or place.parameter.kind is Kind.TEXT):
        raise ToolError(f"`{place.name}` cannot hold a serial number",
                        "use a text, or a whole number without a scale")
    return place


def _refusal(text: str, message: str, help: str, notes: tuple[str, ...] = ()) -> FindingsError:
    return FindingsError([Finding("PS955", message, SourceText("--new-serials", text),
                                  Span(1, 1, 1, len(text) + 1), notes=notes, help=help)])
