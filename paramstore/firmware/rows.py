"""The rows that the templates print: a store in C names and C numbers, comments included.

Frozen data, made by `view`. Every name is ready to print, every comment safe inside one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import NamedTuple

from paramstore.layout.plan import Plan, Ring

__all__ = ["Bytes", "Constant", "Converter", "FieldRow", "Function", "GroupView", "MigrationRow",
           "ParameterView", "ReservedRow", "RetiredRow", "RuleRow", "StoreView"]


class Bytes(NamedTuple):
    """Some bytes of a const array: lines of initialisers under a comment."""

    comment: str
    lines: tuple[str, ...]


class Constant(NamedTuple):
    """A `#define`."""

    name: str
    value: str
    comment: str = ""


class Function(NamedTuple):
    """An inline function. `condition` of the preprocessor, "" for none: when it is there."""

    comment: str
    condition: str
    signature: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One row of the field table: the member `parameter` of its group, or `part` of it, ".x" or
    ".y" of a curve. `at` is the offset in the payload."""

    index: str
    comment: str
    parameter: str
    c_type: str
    curve_type: str  # "" outside of a curve
    part: str
    count: int
    size: int
    c_flags: str
    range_count: int
    limits_at: int | None
    conversions: tuple[Function, ...]
    at: int
    since: int

    @property
    def guarded(self) -> tuple[tuple[str, tuple[Function, ...]], ...]:
        """The conversions, those together that stand behind one condition."""
        return tuple((condition, tuple(functions)) for condition, functions in groupby(
            self.conversions, key=lambda function: function.condition))


@dataclass(frozen=True, slots=True)
class ReservedRow:
    """A row of the field table for bytes without a member: those of a former field."""

    comment: str
    at: int
    count: int
    since: int
    index: str = ""
    parameter: str = ""
    size: int = 0
    c_flags: str = "0"
    range_count: int = 0
    limits_at: int | None = None


class Converter(NamedTuple):
    """A C function that converts one element: its name and the lines of its body."""

    name: str
    comment: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MigrationRow:
    """Where an earlier release kept a field; `convert` is a function or NULL."""

    comment: str
    convert: str
    field: str
    offset: int
    count: int
    size: int
    since: int
    source: str
    source_since: int
    span: int
    more_of_field: int
    more_of_parameter: int


class RetiredRow(NamedTuple):
    """A group that is only read: its ring, and its number behind the others."""

    number: int
    ring: Ring
    crc_start: int


class ParameterView(NamedTuple):
    """One parameter: its member, its constants and the names of its functions.

    `shape` is "one", "many", "text" or "curve"; `length` counts elements, points or bytes.
    """

    name: str
    shape: str
    c_type: str
    length: int
    comment: tuple[str, ...]
    constants: tuple[Constant, ...]
    fields: tuple[FieldRow, ...]
    getter: str
    setter: str
    setter_at: str

    @property
    def dimension(self) -> str:
        """What follows the member's name in the struct; a text has room for its closing 0."""
        return {"many": f"[{self.length}]", "text": f"[{self.length + 1}]"}.get(self.shape, "")


class RuleRow(NamedTuple):
    """A field that must stay below another one; one that must rise stands on both sides."""

    low: str
    high: str
    comment: str


@dataclass(frozen=True, slots=True)
class GroupView:
    """One group: its struct, its parameters and its row in the group table."""

    ring: Ring
    index: str
    c_type: str
    name: str
    comment: tuple[str, ...]
    parameters: tuple[ParameterView, ...]
    defaults_name: str
    defaults: tuple[Bytes, ...]
    rules_name: str
    rules: tuple[RuleRow, ...]
    crc_start: int
    first_row: int
    rows: tuple[FieldRow | ReservedRow, ...]

    @property
    def numbered(self) -> tuple[tuple[int, FieldRow | ReservedRow], ...]:
        """The rows of the field table of this group, in record order, and their numbers."""
        return tuple(enumerate(self.rows, self.first_row))

    @property
    def fields(self) -> tuple[FieldRow, ...]:
        """The rows with a member."""
        return tuple(r for r in self.rows if isinstance(r, FieldRow))

    @property
    def flags(self) -> str:
        """The flags of the group in C."""
        protected = ["PS_PROTECTED"] * self.ring.group.role.protected
        return " | ".join([*protected, *["PS_RESERVED"] * bool(self.ring.reserved)]) or "0"

    @property
    def first_field(self) -> str:
        """The first row in C: by name if it has one."""
        row = self.rows[0]
        return row.index if isinstance(row, FieldRow) else f"{self.first_row}u"


class StoreView(NamedTuple):
    """The whole store."""

    plan: Plan
    name: str
    guard: str
    header: str
    source: str
    c_type: str
    values_type: str
    layout: str
    init: str
    group_count: str
    page_bytes: int
    comment: tuple[str, ...]
    groups: tuple[GroupView, ...]
    limits: tuple[Bytes, ...]
    label: tuple[Bytes, ...]
    converters: tuple[Converter, ...]
    migrations: tuple[MigrationRow, ...]
    earlier_labels: tuple[Bytes, ...]
    later: tuple[int, int]  # release numbers of labels: above the first, up to the second
    retired: tuple[RetiredRow, ...]
    sizes: tuple[tuple[str, int], ...]  # C types whose size C leaves open, and what it must be

    @property
    def parameters(self) -> Iterator[tuple[GroupView, ParameterView]]:
        """Every parameter with its group."""
        return ((g, p) for g in self.groups for p in g.parameters)

    @property
    def fields(self) -> tuple[FieldRow, ...]:
        """The rows of the field table with a member, by group in record order."""
        return tuple(row for g in self.groups for row in g.fields)

    @property
    def row_count(self) -> int:
        """Rows of the field table, those without a member too."""
        return sum(len(g.rows) for g in self.groups)

    @property
    def numbered_fields(self) -> tuple[tuple[int, FieldRow], ...]:
        """The same with their numbers."""
        return tuple((n, r) for g in self.groups for n, r in g.numbered if isinstance(r, FieldRow))

    @property
    def needs_float_h(self) -> bool:
        """Whether a condition asks what a `double` holds."""
        return any("DBL_" in f.condition for row in self.fields for f in row.conversions)

    @property
    def has_rules(self) -> bool:
        """Whether any group has rules between its fields."""
        return any(g.rules for g in self.groups)
