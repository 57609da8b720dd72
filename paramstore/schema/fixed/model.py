"""What a fixed layout means, once its schema has been read and found free of mistakes.

Frozen data.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from paramstore.core.checksum import Crc
from paramstore.core.errors import SourceText, Span
from paramstore.core.scalars import Raw
from paramstore.schema.bits import Place, gather, place_bytes
from paramstore.schema.fixed.coding import Coding
from paramstore.schema.from_raw import FIRST_DATE
from paramstore.schema.model import Field, Parameter

__all__ = [
    "Alphabet",
    "CheckKind",
    "Checksum",
    "Condition",
    "FixedGroup",
    "FixedLayout",
    "PlacedParameter",
    "Relation",
    "ScaleFrom",
    "StoreTarget",
]


class Alphabet(NamedTuple):
    """Packed letters: `letters` by their numbers, that of the first is `first`."""

    letters: str
    first: int


@dataclass(frozen=True, slots=True)
class StoreTarget:
    """The parameter of a store that takes a value: physical value there = here x `factor` +
    `offset`."""

    group: str | None = None  # None: it has the name that it has here; so has the parameter
    parameter: str | None = None
    factor: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)
    scaled: bool = False  # factor or offset were given, so the unit may be another one
    members: tuple[tuple[str, str], ...] = ()  # name here, name there
    nowhere: bool = False  # no store takes it
    axis: str = ""
    span: Span | None = field(default=None, compare=False)


class ScaleFrom(NamedTuple):
    """The parameter that a scale is multiplied by, or, with a `base`, by a power of that. `group`
    is None for the block at hand."""

    group: str | None
    parameter: str
    base: int | None = None

    @property
    def name(self) -> str:
        """The name as a schema spells it."""
        return f"{self.group}.{self.parameter}" if self.group else self.parameter


@dataclass(frozen=True, slots=True)
class PlacedParameter:
    """A parameter and where it lies: `places` has one place for each element of its only field.

    Numbers and dates are stored in `coding`; days and years of a date count from `since`. A text
    ends at the byte `end_byte` and is filled up with `fill`; it is in `encoding` there, in UTF-8 as
    raws, of which a character may take more. `always` is the only value it can have, as raws.
    `no_value` is the stored number that stands for none. With `scale_from` the scale of the field
    is only a part of it: what an image holds at `scale_place` makes it whole.
    """

    parameter: Parameter
    places: tuple[Place, ...]
    always: tuple[Raw, ...] | None = None
    no_value: int | None = None
    end_byte: int = 0
    fill: int = 0
    alphabet: Alphabet | None = None
    target: StoreTarget = StoreTarget()
    encoding: str = "utf-8"
    coding: Coding = Coding.PLAIN
    since: date = FIRST_DATE
    scale_from: ScaleFrom | None = None
    scale_place: Place = ()

    @property
    def field(self) -> Field:
        """The only field of the parameter."""
        return self.parameter.first

    @property
    def name(self) -> str:
        """The name of the parameter."""
        return self.parameter.name


class CheckKind(StrEnum):
    """How a checksum is made from the bytes of its range."""

    SUM = "sum"  # their sum
    SUM_ZERO = "sum_zero"  # what makes the sum of both zero
    XOR = "xor"  # of all bytes
    FLETCHER = "fletcher"  # two sums, of half its bits each: of the words, and of the first sums
    CRC = "crc"


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum of the bytes at `over`, stored at `place`.

    `over` are addresses in the order in which they are added; those of the checksum itself, if
    they are among them, are read as the byte `own_bytes_read_as`. A sum or exclusive or begins with
    `initial`, and `final` is put over it with exclusive or; the sums of `fletcher` are remainders
    of `modulo`, its words have the byte order `order`.
    """

    name: str
    kind: CheckKind
    over: tuple[int, ...]
    place: Place
    crc: Crc | None = None
    own_bytes_read_as: int | None = None
    doc: str = ""
    span: Span | None = field(default=None, compare=False)
    initial: int = 0
    final: int = 0
    modulo: int = 0
    order: str = "little"


class Relation(StrEnum):
    """What the number of a condition must be."""

    IS = "is"
    NOT = "not"
    ABOVE = "above"


class Condition(NamedTuple):
    """A group is there if the number at `place` is, is not, or is above `number`."""

    place: Place
    number: int
    relation: Relation = Relation.IS

    def holds(self, image: Sequence[int]) -> bool | None:
        """Return whether the group is there; None if the image ends before the bits do."""
        if max(place_bytes(self.place)) >= len(image):
            return None
        found = gather(image, self.place)
        if self.relation is Relation.ABOVE:
            return found > self.number
        return (found == self.number) is (self.relation is Relation.IS)


@dataclass(frozen=True, slots=True)
class FixedGroup:
    """Parameters and checksums that belong together, one block of them. `declared` is the name in
    the schema: `timing` for the blocks `timing_1`, `timing_2`; `block` counts these from 1, and is
    0 if there is only one. If the blocks are copies of one another, `copy_number` is the
    name of the parameter with their sequence number, "" if they have none."""

    name: str
    declared: str
    at: int
    items: tuple[PlacedParameter, ...]
    checks: tuple[Checksum, ...] = ()
    condition: Condition | None = None
    doc: str = ""
    block: int = 0
    copy_number: str | None = None

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """The parameters without their places."""
        return tuple(item.parameter for item in self.items)

    @property
    def fields(self) -> tuple[Field, ...]:
        """The fields of all parameters."""
        return tuple(item.field for item in self.items)

    def parameter(self, name: str) -> Parameter:
        """Return the parameter called `name`; KeyError if there is none."""
        return self.item(name).parameter

    def item(self, name: str) -> PlacedParameter:
        """Return the item of the parameter called `name`; KeyError if there is none."""
        for item in self.items:
            if item.name == name:
                return item
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class FixedLayout:
    """A whole layout: `size` bytes, and what they mean. `source` is the text of its schema."""

    name: str
    size: int
    groups: tuple[FixedGroup, ...]
    doc: str = ""
    source: SourceText | None = field(default=None, compare=False)

    def blocks(self, declared: str) -> tuple[FixedGroup, ...]:
        """Return the blocks of a group of the schema."""
        return tuple(g for g in self.groups if g.declared == declared)

    def group(self, name: str) -> FixedGroup:
        """Return the group called `name`; KeyError if there is none."""
        for group in self.groups:
            if group.name == name:
                return group
        raise KeyError(name)
