"""Which unit on record a part is: by the serial number that the part itself holds."""

from __future__ import annotations

from typing import NamedTuple

from paramstore.core.errors import ToolError
from paramstore.image.contents import Contents
from paramstore.production.records import Records, Unit
from paramstore.production.serials import serial_place
from paramstore.schema.quantity import parameter_from_raw

__all__ = ["Holder", "holder_of"]


class Holder(NamedTuple):
    """The serial number in a part as text, and its unit, None if that is not on record."""

    serial: str
    unit: Unit | None


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
