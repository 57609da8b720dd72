"""Where what units held before a calibration is read: a dump, a folder of dumps, or the records."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from host_tools.dumps import Schemas, examined_store, show_doubts
from host_tools.options import InputOptions

if TYPE_CHECKING:
    from paramstore.calibrate.as_found import FoundValues
    from paramstore.layout.plan import Plan
    from paramstore.releases.project import Project

__all__ = ["in_dumps", "in_records"]


def in_dumps(path: str, project: Project, schema_path: str, plan: Plan,
             serials: Iterable[str]) -> Iterator[tuple[str, FoundValues]]:
    """Yield what each unit held: the dump at `path` is of the only one; of several, `path` is a
    folder with a dump named by the serial number of each.

    ToolError if a unit has no dump, or a dump no values; errors as `files.forms.read_dump`.
    """
    from pathlib import Path

    from paramstore.core.errors import ToolError

    serials = list(serials)
    if not Path(path).is_dir():
        if len(serials) > 1:
            raise ToolError(f"`{path}` is one dump, and {len(serials)} units are calibrated",
                            "give a folder with a dump for each, named by serial number")
        yield serials[0], _of_dump(path, project, schema_path, plan)
        return
    for serial in serials:
        there = sorted(p for p in Path(path).glob(f"{serial}.*") if p.stem == serial and serial)
        if len(there) != 1:
            raise ToolError(f"`{path}` has {'no' if not there else 'more than one'} dump of unit "
                            f"{serial or 'without a serial number'}",
                            f"put one there, such as `{serial}.bin`; or leave --as-found out")
        yield serial, _of_dump(str(there[0]), project, schema_path, plan)


def _of_dump(path: str, project: Project, schema_path: str, plan: Plan) -> FoundValues:
    from paramstore.inspect.which import project_candidates
    from paramstore.production.found import found_in

    schemas = Schemas(project_candidates(project, schema_path))
    found = examined_store(schemas, InputOptions(), path)
    show_doubts(found)
    return found_in(found.contents, plan, path)


def in_records(records: str, plan: Plan,
               serials: Iterable[str]) -> Iterator[tuple[str, FoundValues]]:
    """Yield what each unit on record held.

    ToolError if the records cannot be read, or one of the units is not there.
    """
    from paramstore.core.errors import ToolError
    from paramstore.production.export import Exporter
    from paramstore.production.found import found_on_record
    from paramstore.production.records import Records

    with Records(records) as kept:
        exporter = Exporter(kept)
        for serial in serials:
            unit = kept.unit(serial) if serial else None
            if unit is None:
                raise ToolError(f"unit {serial or 'without a serial number'} is not on record in "
                                f"`{records}`", "give its dump with --as-found instead, or leave "
                                "--records out")
            yield serial, found_on_record(exporter.values(unit), plan)
