"""What a schema means, once it has been read and found free of mistakes.

Frozen data without behaviour beyond look-ups. It knows no TOML (see `reader`), no page (see
`layout`) and no C. All numbers that a person writes in physical units are here already as raw
values, exactly as they lie on the EEPROM.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple, Protocol

from paramstore.core.errors import SourceText, Span
from paramstore.core.scalars import Raw, Scalar
from paramstore.schema.part import Part

__all__ = [
    "AnyGroup",
    "AnySchema",
    "Convert",
    "Field",
    "Group",
    "Kind",
    "Parameter",
    "Role",
    "Schema",
    "ValueLimits",
]


class Role(StrEnum):
    """Why a group exists; it decides protection, copies and placement."""

    IDENTITY = "identity"
    CALIBRATION = "calibration"
    SETTING = "setting"
    COUNTER = "counter"

    @property
    def protected(self) -> bool:
        """Whether firmware must unlock a group of this role before it may change it."""
        return self in (Role.IDENTITY, Role.CALIBRATION)


class Kind(StrEnum):
    """What a parameter is to a person; `scalar` of its fields says how it is stored."""

    BOOL = "bool"
    INTEGER = "integer"  # u8..i64, scaled or not
    FLOAT = "float"  # f32, f64
    ENUM = "enum"
    FLAGS = "flags"
    TEXT = "text"
    BYTES = "bytes"
    DATE = "date"
    CURVE = "curve"


class ValueLimits(NamedTuple):
    """Which raw values an element may take.

    `ranges`: closed, sorted, disjoint; an empty tuple allows every value of the scalar
    (for floats: every finite value; a reader turns "no limits" into the finite range, so NaN
    and infinities are never allowed). `mask`: for flags, the bits that may be set, else None.
    """

    ranges: tuple[tuple[Raw, Raw], ...] = ()
    mask: int | None = None

    def allow(self, value: Raw) -> bool:
        """Return whether one raw element lies within the limits."""
        if self.mask is not None:
            return isinstance(value, int) and value & ~self.mask == 0
        return not self.ranges or any(low <= value <= high for low, high in self.ranges)


NO_LIMITS = ValueLimits()


class Convert(NamedTuple):
    """How values of the release before become values of this one.

    Physical value = physical value before x `factor` / `divisor` + `offset`. `names` has (old, new)
    names of members of an enum or of flags.
    """

    factor: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)
    divisor: Decimal = Decimal(1)
    names: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Field:
    """A run of equal scalars in a record: what record bytes, C tables and offsets are made of.

    Physical value = raw x `scale` + `offset`. `default` has `count` raw elements; text and byte
    strings are runs of u8. A curve has two fields, `name.x` and `name.y`; every other parameter
    has one, named as the parameter.
    """

    name: str
    kind: Kind
    scalar: Scalar
    count: int
    default: tuple[Raw, ...]
    array: bool = False  # declared with a count, even if that is 1
    limits: ValueLimits = NO_LIMITS
    rising: bool = False  # each element must be greater than the one before
    unit: str = ""
    scale: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)
    digits: int | None = None  # decimals to show; None: as many as the value needs
    members: tuple[tuple[str, int], ...] = ()  # enum: value; flags: bit number
    convert: Convert | None = None

    @property
    def size(self) -> int:
        """Bytes on the EEPROM."""
        return self.scalar.size * self.count

    @property
    def scaled(self) -> bool:
        """Whether raw and physical values differ."""
        return self.scale != 1 or self.offset != 0


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter as a person names it. `below`: a parameter of the same group, same stored
    type and scale, that this one must stay strictly below. `was`: its name in the release before,
    `NAME` or `GROUP.NAME`, if it had another one."""

    name: str
    kind: Kind
    fields: tuple[Field, ...]
    doc: str = ""
    below: str | None = None
    was: str | None = None
    span: Span | None = field(default=None, compare=False)

    @property
    def first(self) -> Field:
        """The only field; of a curve that of x."""
        first, *_ = self.fields
        return first

    @property
    def size(self) -> int:
        """Bytes on the EEPROM."""
        return sum(f.size for f in self.fields)


@dataclass(frozen=True, slots=True)
class Group:
    """Parameters that are committed together. `id` is 1..255 and unique in the store.

    `slots` and `room` are None where the planner decides; `room` is in bytes. `numbered`: the
    schema gives the id, it is not counted. `was` is the group's name in the release before, if it
    had another one; `retired` names parameters that were taken out.
    """

    name: str
    id: int
    role: Role
    writes_per_day: float
    parameters: tuple[Parameter, ...]
    copies: int = 1
    slots: int | None = None
    room: int | None = None
    doc: str = ""
    numbered: bool = field(default=True, compare=False)
    was: str | None = None
    retired: tuple[str, ...] = ()
    span: Span | None = field(default=None, compare=False)

    @property
    def fields(self) -> tuple[Field, ...]:
        """The fields of all parameters in the order in which they lie in a record."""
        return tuple(f for p in self.parameters for f in p.fields)

    @property
    def payload_bytes(self) -> int:
        """Bytes of all fields."""
        return sum(f.size for f in self.fields)

    def parameter(self, name: str) -> Parameter:
        """Return the parameter called `name`; KeyError if there is none."""
        for p in self.parameters:
            if p.name == name:
                return p
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Schema:
    """A whole store: the part it lives on, how it is used, and its groups.

    `retired_groups` names groups that were taken out; `series` counts how often released units
    were laid out anew. `spans`: where the values of keys of `[store]` are written.
    """

    name: str
    part: Part
    groups: tuple[Group, ...]
    address: int = 0x50  # 7 bits, without block-select bits
    bus_khz: int = 400
    supply_v: float = 3.3
    temperature_c: float = 25.0  # the hottest the part is written at for long
    life_years: float = 10.0
    doc: str = ""
    retired_groups: tuple[str, ...] = ()
    series: int = 0
    source: SourceText | None = field(default=None, compare=False)
    spans: Mapping[str, Span] = field(default_factory=dict, compare=False)

    def group(self, name: str) -> Group:
        """Return the group called `name`; KeyError if there is none."""
        for g in self.groups:
            if g.name == name:
                return g
        raise KeyError(name)


class AnyGroup(Protocol):
    """What values need of a group, be it of a store or of a fixed layout."""

    @property
    def name(self) -> str:
        """Its name."""
    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Its parameters in order."""
    @property
    def fields(self) -> tuple[Field, ...]:
        """The fields of all parameters."""
    def parameter(self, name: str) -> Parameter:
        """Return the parameter called `name`; KeyError if there is none."""


class AnySchema(Protocol):
    """What values need of a schema, be it of a store or of a fixed layout."""

    @property
    def name(self) -> str:
        """Its name."""
    @property
    def groups(self) -> Sequence[AnyGroup]:
        """Its groups in order."""
    def group(self, name: str) -> AnyGroup:
        """Return the group called `name`; KeyError if there is none."""
