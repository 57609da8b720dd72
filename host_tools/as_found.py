"""What units held before a calibration: from a dump, a folder of dumps, or the records."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from host_tools.dumps import Schemas, examined_store, show_doubts
from host_tools.options import InputOptions

if TYPE_CHECKING:
    from paramstore.calibrate.as_found import FoundValues
    from paramstore.core.errors import ToolError
    from paramstore.core.scalars import StoreRaws
    from paramstore.image.contents import Contents
    from paramstore.production.export import UnitValues
    from paramstore.releases.project import Project
    from paramstore.schema.from_raw import Physical
    from paramstore.schema.model import Schema

__all__ = ["found_in_dumps", "found_on_record", "serial_in"]


def found_in_dumps(path: str, project: Project, schema_path: str, model: Schema,
                   serials: Iterable[str]) -> Iterator[tuple[str, FoundValues]]:
    """Yield what each unit held: the dump at `path` is of the only one; of several, `path` is a
    folder with a dump named by the serial number of each.

    ToolError if a unit has no dump, or a dump no values; errors as `read_dump`.
    """
    from paramstore.core.errors import ToolError

    serials = list(serials)
    if not Path(path).is_dir():
        if len(serials) > 1:
            raise ToolError(f"`{path}` is one dump, and {len(serials)} units are calibrated",
                            "give a folder with a dump for each, named by serial number")
        yield serials[0], _of_dump(path, project, schema_path, model)
        return
    for serial in serials:
        there = sorted(p for p in Path(path).glob(f"{serial}.*") if p.stem == serial and serial)
        if len(there) != 1:
            raise ToolError(f"`{path}` has {'no' if not there else 'more than one'} dump of unit "
                            f"{serial or 'without a serial number'}",
                            f"put one there, such as `{serial}.bin`; or leave --as-found out")
        yield serial, _of_dump(str(there[0]), project, schema_path, model)


def _of_dump(path: str, project: Project, schema_path: str, model: Schema) -> FoundValues:
    from paramstore.calibrate.as_found import FoundValues
    from paramstore.inspect.which import project_candidates

    schemas = Schemas(project_candidates(project, schema_path), named=True)
    found = examined_store(schemas, InputOptions(), path)
    show_doubts(found)
    contents = found.contents
    values = dict(_values_in(contents, path))
    raws, without = _as_raws(model, values)
    return FoundValues(raws, f"read from {path}", without)


def _values_in(contents: Contents, path: str) -> Iterator[tuple[str, dict[str, Physical]]]:
    """Yield the values of each group that has any; what cannot be read is not taken for none."""
    from paramstore.schema.from_raw import parameter_from_raw

    if not contents.readable:
        raise _unreadable(f"`{path}` holds no values of this store")
    for group in contents.groups:
        if group.lost and group.ring.group.role.protected:
            raise _unreadable(f"`{path}` has no sound record of {group.ring.group.name}")
        if group.newest is not None or group.migrated:
            yield group.ring.group.name, {
                p.name: parameter_from_raw(p, group.values) for p in group.ring.group.parameters}


def _unreadable(message: str) -> ToolError:
    from paramstore.core.errors import ToolError

    return ToolError(message, "`paramstore unpack` shows what is in it; without it, leave "
                     "--as-found out")


def found_on_record(records: str, model: Schema,
                    serials: Iterable[str]) -> Iterator[tuple[str, FoundValues]]:
    """Yield what each unit on record held: as its part was last read, else its latest image.

    ToolError if the records cannot be read, or one of the units is not there.
    """
    from paramstore.core.errors import ToolError
    from paramstore.production.export import Exporter
    from paramstore.production.records import Records

    with Records(records) as kept:
        exporter = Exporter(kept)
        for serial in serials:
            unit = kept.unit(serial) if serial else None
            if unit is None:
                raise ToolError(f"unit {serial or 'without a serial number'} is not on record in "
                                f"`{records}`", "give its dump with --as-found instead, or leave "
                                "--records out")
            yield serial, _of_record(exporter.values(unit), model)


def _of_record(item: UnitValues, model: Schema) -> FoundValues:
    from paramstore.calibrate.as_found import FoundValues
    from paramstore.production.held import read_held
    from paramstore.schema.breaches import served
    from paramstore.schema.from_raw import parameter_from_raw

    known = item.unit.known
    held = read_held(known.held) if known else {}
    if known is None or not held:
        raws, without = _as_raws(model, {g: dict(v) for g, v in item.values.items()})
        image = item.unit.image
        return FoundValues(raws, f"on record, the image of batch {image.batch}", without)
    values: dict[str, dict[str, Physical]] = {}
    for group in item.plan.schema.groups:
        there = held.get(group.name)
        if there is None or any(len(there.raws.get(f.name, ())) != f.count for f in group.fields):
            continue
        sound = served(group, there.raws).values
        values[group.name] = {p.name: parameter_from_raw(p, sound) for p in group.parameters}
    raws, without = _as_raws(model, values)
    return FoundValues(raws, f"on record, read from the part {known.at}", without)


def _as_raws(model: Schema, values: dict[str, dict[str, Physical]]
             ) -> tuple[StoreRaws, frozenset[str]]:
    """Return values, maybe of another release, as every field of the schema, and the groups that
    have a default among them."""
    from paramstore.schema.to_raw import ValueProblem, parameter_to_raw

    raws, without = {}, set()
    for group in model.groups:
        fields = {f.name: f.default for f in group.fields}
        for parameter in group.parameters:
            try:
                value = values[group.name][parameter.name]
                fields |= {n: c.raws for n, c in parameter_to_raw(parameter, value).items()}
            except (KeyError, ValueProblem):
                without.add(group.name)
        raws[group.name] = fields
    return raws, frozenset(without)


def serial_in(model: Schema, name: str, found: FoundValues) -> str:
    """Return the serial number that a unit itself holds in a parameter, "" if it holds none."""
    from paramstore.schema.from_raw import parameter_from_raw

    group, _, parameter = name.partition(".")
    if group in found.defaults:
        return ""
    return str(parameter_from_raw(model.group(group).parameter(parameter), found.raws[group]))
