"""Raws of many units to images: what both ways of packing have in common, and the plain one.

`make_packer` takes the columnar way where numpy is installed. Both give the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from typing import Protocol

from paramstore.image.pack import pack
from paramstore.layout.plan import Plan
from paramstore.scalars import Raw

__all__ = ["Packer", "PlainPacker", "Raws", "make_packer"]

Raws = Mapping[str, Mapping[str, tuple[Raw, ...]]]
"""Raws by group and field name."""


class Packer(Protocol):
    """Makes images of a plan that differ from one set of constants in some fields."""

    def pack(self, units: Sequence[Raws]) -> Sequence[bytes | memoryview]:
        """Return the image of each unit; what a unit does not give is constant.

        An image stays valid until the next call only. The raws are within their limits.
        """
        ...


class PlainPacker:
    """Packs unit by unit with the record codec."""

    def __init__(self, plan: Plan, constants: Raws) -> None:
        self._plan = plan
        self._constants = constants

    def pack(self, units: Sequence[Raws]) -> Sequence[bytes | memoryview]:
        """Return the image of each unit."""
        return [pack(self._plan, {
            group: {**fields, **unit.get(group, {})} for group, fields in self._constants.items()
        }) for unit in units]


def make_packer(plan: Plan, constants: Raws) -> Packer:
    """Return the fastest packer there is; `constants` has every field of every group."""
    if find_spec("numpy") is None:
        return PlainPacker(plan, constants)
    from paramstore.production.columnar import ColumnarPacker

    return ColumnarPacker(plan, constants)
