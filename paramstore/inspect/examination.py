"""What a dump says, whichever kind of layout it is of: the model that reports are made from.

Two readers make it: `store` for parts with a label and records, `fixed` for layouts without.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

from paramstore.core.errors import Finding
from paramstore.core.scalars import GroupRaws
from paramstore.files.forms import Dump
from paramstore.files.runs import Reading

if TYPE_CHECKING:
    from paramstore.schema.breaches import Reset
    from paramstore.schema.model import AnyGroup, AnySchema

__all__ = ["Absence", "Examination", "StoredValue", "Values"]


class Absence(StrEnum):
    """Why a dump has no value of a parameter."""

    NO_RECORD = "no record"  # never written, or erased
    LOST = "lost: damaged"  # bytes, but no whole record
    NOTHING = "nothing"  # the number for no value, or its group is not there
    UNREAD = "not in the dump"
    FAULTY = "bits that stand for nothing"


class StoredValue(NamedTuple):
    """The value of a parameter, as firmware serves it or as it is stored, or why there is none.
    `reset` says why the default is served although another value is stored."""

    raws: GroupRaws | Absence
    reset: Reset | None = None


Values: TypeAlias = Mapping[tuple[str, str], StoredValue]
"""Values by the names of group and parameter; what nothing is said of is left out."""


@dataclass(frozen=True)
class Examination(ABC):
    """What a dump says. `name` is that of the schema it was read with: a file, and a release of
    it. `dump` has the bytes from address 0 of the part or the layout on. `findings` has everything
    that is wrong or worth knowing, from the file to its smallest part."""

    name: str
    reading: Reading
    dump: Dump
    findings: tuple[Finding, ...]

    @property
    @abstractmethod
    def schema(self) -> AnySchema:
        """The store or the fixed layout that the dump was read with."""

    @property
    @abstractmethod
    def size(self) -> int:
        """How many bytes the part or the layout has."""

    @property
    @abstractmethod
    def groups(self) -> tuple[AnyGroup, ...]:
        """The groups, in the order of the schema."""

    @property
    @abstractmethod
    def comparable(self) -> bool:
        """Whether there is anything in the dump that a comparison can tell of."""

    @abstractmethod
    def values(self) -> Values:
        """Return what the dump holds of every parameter."""

    @abstractmethod
    def same_layout(self, other: Examination) -> bool:
        """Return whether the bytes of another dump mean the same."""
