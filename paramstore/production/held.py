"""What the part of a unit holds, as its records keep it: group by group, with the copies; and
which unit on record it is, by the serial number that the part itself holds.
"""

from __future__ import annotations

import json
from typing import NamedTuple, TypedDict

from paramstore.core.errors import ToolError
from paramstore.core.scalars import GroupRaws, Raw
from paramstore.image.contents import Contents
from paramstore.production.records import Records, UnitRecord
from paramstore.production.serials import serial_place
from paramstore.schema.from_raw import parameter_from_raw

__all__ = ["HeldGroup", "Holder", "held_of", "holder_of", "read_held"]


class HeldGroup(NamedTuple):
    """One group: the raws of its newest record by field, how many whole copies of it there are, and
    how many there should be. Without a record there are no raws."""

    raws: GroupRaws
    copies: int
    wanted: int

    @property
    def whole(self) -> bool:
        """Whether there is a record, in as many copies as there should be."""
        return 0 < self.copies >= self.wanted


def held_of(contents: Contents) -> str:
    """Return what a part holds as a text for the records."""
    return json.dumps({
        g.ring.group.name: {
            "raws": {} if g.newest is None else {n: list(r) for n, r in g.stored.items()},
            "copies": g.copies, "wanted": g.ring.group.copies}
        for g in contents.groups}, separators=(",", ":"))


class _HeldData(TypedDict):
    raws: dict[str, list[Raw]]
    copies: int
    wanted: int


def read_held(text: str) -> dict[str, HeldGroup]:
    """Return the groups of such a text; none for one that is not known or not such a text."""
    try:
        return {name: _group(of) for name, of in json.loads(text).items()}
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return {}


def _group(data: _HeldData) -> HeldGroup:
    raws = {str(name): tuple(values) for name, values in data["raws"].items()}
    if not all(isinstance(v, int | float) for values in raws.values() for v in values):
        raise ValueError("a raw is a number")
    return HeldGroup(raws, int(data["copies"]), int(data["wanted"]))


class Holder(NamedTuple):
    """The serial number in a part as text, and its unit, None if that is not on record."""

    serial: str
    unit: UnitRecord | None


def holder_of(contents: Contents, records: Records) -> Holder | None:
    """Return whose part it is; None if it holds no serial number. The batches on record say which
    parameters hold one."""
    found = None
    for name in dict.fromkeys(batch.serial_parameter for batch in records.batches()):
        try:
            place = serial_place(contents.plan.schema, name)
        except ToolError:
            continue  # a batch of another store
        group = contents.group(place.group.name)
        value = parameter_from_raw(place.parameter, group.values)
        if (group.newest is None and not group.migrated) or value == "":
            continue
        # A number does not tell the zeros in front of it: those on record are looked through.
        unit = next((u for u in records.units(str(value)) if place.means(u.serial, value)), None)
        if unit is not None:
            return Holder(unit.serial, unit)
        found = Holder(str(value), None)
    return found
