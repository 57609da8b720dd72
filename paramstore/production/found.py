"""What a unit held before it is calibrated: from a dump of its part, or from its record.

Either way an image is read as firmware of the release that is calibrated for reads it. Values that
an earlier release kept elsewhere, or in another unit, are converted; what no value is stored for
has its default.
"""

from __future__ import annotations

from paramstore.calibrate.as_found import FoundValues
from paramstore.core.errors import ToolError
from paramstore.core.scalars import StoreRaws
from paramstore.image.contents import Contents, unpack
from paramstore.image.pack import pack
from paramstore.layout.plan import Plan
from paramstore.production.export import UnitValues, raws_on_record
from paramstore.production.held import read_held
from paramstore.releases.values import ValueOrigin
from paramstore.schema.breaches import served
from paramstore.schema.from_raw import parameter_from_raw

__all__ = ["found_in", "found_on_record", "made_with", "serial_in"]


def found_in(contents: Contents, plan: Plan, source: str) -> FoundValues:
    """Return the values that firmware of `plan` serves on a part; `source` says where they were
    read. ToolError if it has none of this store, or no sound record of a protected group."""
    seen = unpack(plan, contents.image, contents.gaps)
    if not seen.readable:
        raise _unreadable(f"`{source}` holds no values of this store")
    for group in seen.groups:
        if group.lost and group.ring.group.role.protected:
            raise _unreadable(f"`{source}` has no sound record of {group.ring.group.name}")
    return _values(seen, f"read from {source}")


def _unreadable(message: str) -> ToolError:
    return ToolError(message, "`paramstore unpack` shows what is in it; without it, leave "
                     "--as-found out")


def found_on_record(item: UnitValues, plan: Plan) -> FoundValues:
    """Return the values that firmware of `plan` serves on a unit on record: as its part was last
    read, else as its latest image was made. ToolError if the record is of another series."""
    reading = item.unit.last_reading
    held = _held(item)
    source = f"read from the part {reading.at}" if held and reading else (
        f"the image of batch {item.unit.image.batch}")
    return _values(_seen(item, held or raws_on_record(item), plan), f"on record, {source}")


def made_with(item: UnitValues, plan: Plan) -> StoreRaws:
    """Return the values that firmware of `plan` serves on the latest image of a unit; not those of
    groups that have none. ToolError if the record is of another series."""
    return {g.ring.group.name: g.values for g in _seen(item, raws_on_record(item), plan).groups
            if g.newest is not None or g.migrated}


def _seen(item: UnitValues, raws: StoreRaws, plan: Plan) -> Contents:
    seen = unpack(plan, pack(item.plan, raws))
    if not seen.readable:
        raise ToolError(f"unit {item.unit.serial} is on record with another layout of the store",
                        "lay its image out anew with `paramstore migrate --relayout`, and use that")
    return seen


def _held(item: UnitValues) -> StoreRaws:
    """Return what the part of a unit was last read to hold, as far as that is known."""
    held = read_held(item.unit.last_reading.held) if item.unit.last_reading else {}
    return {
        group.name: served(group, there.raws).values for group in item.plan.schema.groups
        if (there := held.get(group.name)) is not None
        and all(len(there.raws.get(f.name, ())) == f.count for f in group.fields)}


def _values(seen: Contents, source: str) -> FoundValues:
    without = frozenset(
        g.ring.group.name for g in seen.groups
        if {ValueOrigin.DEFAULT, ValueOrigin.UNFIT} & {*g.origins.values()})
    return FoundValues({g.ring.group.name: g.values for g in seen.groups}, source, without)


def serial_in(plan: Plan, name: str, found: FoundValues) -> str:
    """Return the serial number that a unit itself holds in the parameter `name`, "" if none."""
    group, _, parameter = name.partition(".")
    if group in found.defaults:
        return ""
    return str(parameter_from_raw(plan.schema.group(group).parameter(parameter),
                                  found.raws[group]))
