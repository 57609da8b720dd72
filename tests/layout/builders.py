"""Schemas for tests of the layout: groups of plain bytes, so that only sizes and rates matter."""

from __future__ import annotations

from typing import Any

from paramstore.core.scalars import SCALARS
from paramstore.schema.catalogue import find
from paramstore.schema.model import Field, Group, Kind, Parameter, Role, Schema
from paramstore.schema.part import Part


def known_part(name: str) -> Part:
    """A part of the catalogue."""
    part = find(name)
    assert part is not None
    return part


def sized(name: str, size: int, kind: Kind = Kind.INTEGER, below: str | None = None) -> Parameter:
    """A parameter of `size` bytes."""
    field = Field(name, kind, SCALARS["u8"], size, (0,) * size)
    return Parameter(name, kind, (field,), below=below)


def group(name: str, number: int, *parameters: Parameter, per_day: float = 0.1,
          role: Role = Role.SETTING, **more: Any) -> Group:
    """A group written `per_day` times a day, of one parameter of 20 bytes if none is given."""
    return Group(name, number, role, per_day, parameters or (sized("value", 20),), **more)


def schema(*groups: Group, part: str = "24LC32A", **more: Any) -> Schema:
    """A store at 25 degC for ten years unless told otherwise."""
    return Schema("demo", known_part(part), groups, **more)
