"""A plan and simulated parts that the tests of this package share."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from paramstore.bus.part_file import PartFile
from paramstore.bus.programmer import Programmer
from paramstore.image.contents import Contents, unpack
from paramstore.layout.plan import Plan
from paramstore.verify.eeprom.faults import Fault

__all__ = ["contents_of", "part_at", "programmer_at"]


def part_at(path: Path, plan: Plan, image: bytes | None = None,
            faults: Iterable[Fault] = ()) -> PartFile:
    """A simulated part on a file, with `image` in it, blank if there is no file yet."""
    if image is not None:
        path.write_bytes(image)
    return PartFile(str(path), plan.part, plan.schema.address, create=True, faults=faults)


def programmer_at(path: Path, plan: Plan, image: bytes | None = None,
                  faults: Iterable[Fault] = ()) -> Programmer:
    return Programmer(part_at(path, plan, image, faults), plan.part, plan.schema.address)


def contents_of(path: Path, plan: Plan) -> Contents:
    return unpack(plan, path.read_bytes())
