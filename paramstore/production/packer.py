"""Raws of many units to images: what both ways of packing have in common, and the plain one.

`make_packer` takes the columnar way where numpy is installed. Both give the same bytes.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from importlib.util import find_spec
from typing import Protocol

from paramstore.core.scalars import Columns, StoreRaws
from paramstore.image.pack import pack
from paramstore.layout.plan import Plan

__all__ = ["Packer", "PlainPacker", "has_numpy", "make_packer"]


class Packer(Protocol):
    """Makes images of a plan that differ from one set of constants in some fields."""

    def pack(self, units: Sequence[StoreRaws | None],
             columns: Columns) -> Sequence[bytes | memoryview]:
        """Return the image of each unit: its own raws over those of the columns over the constants.

        An optional group that a unit has no raws of, `{}`, is not given for it, and the columns
        have the constants there. An image stays valid until the next call only. The raws are within
        their limits.
        """
        ...


class PlainPacker:
    """Packs unit by unit."""

    def __init__(self, plan: Plan, constants: StoreRaws, optional: Collection[str] = (), *,
                 defaults: bool = False) -> None:
        self._plan = plan
        self._constants = {g: {} if g in optional else fields for g, fields in constants.items()}
        self._defaults = defaults

    def pack(self, units: Sequence[StoreRaws | None],
             columns: Columns) -> Sequence[bytes | memoryview]:
        """Return the image of each unit."""
        images = []
        for index, unit in enumerate(units):
            values = {group: dict(fields) for group, fields in self._constants.items()}
            for (group, field), column in columns.items():
                values[group][field] = tuple(column[index])
            for group, fields in (unit or {}).items():
                values[group] = {**values[group], **fields} if fields else {}
            images.append(pack(self._plan, values, defaults=self._defaults))
        return images


def has_numpy() -> bool:
    """Return whether many units can be dealt with at once."""
    return find_spec("numpy") is not None


def make_packer(plan: Plan, constants: StoreRaws, optional: Collection[str] = (), *,
                defaults: bool = False) -> Packer:
    """Return the fastest packer there is; `constants` has every field of every group.

    The `optional` groups are protected ones of which these are no values but defaults: a unit that
    is given nothing else there gets no record of them, unless `defaults` are to stand in one.
    """
    if not has_numpy():
        return PlainPacker(plan, constants, optional, defaults=defaults)
    from paramstore.production.columnar import ColumnarPacker

    return ColumnarPacker(plan, constants, optional, defaults=defaults)
