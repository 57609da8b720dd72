"""From what a person gives to a `BatchJob`: names, defaults, and how long the work will be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from paramstore.calibrate.recipe import ALL_UNITS_FILE
from paramstore.core.disk import read_text, unreadable
from paramstore.core.errors import Finding, FindingsError, SourceText, ToolError
from paramstore.core.scalars import StoreRaws
from paramstore.files.forms import FORMS
from paramstore.image.pack import complete, left_out, ungiven
from paramstore.image.values import GivenValues, read_values
from paramstore.layout.plan import Plan
from paramstore.production.batch import BatchJob
from paramstore.production.outputs import check_output
from paramstore.production.serials import SERIAL, SerialPlace, read_pattern, serial_place
from paramstore.production.table import table_parameters

__all__ = ["Wanted", "count_lines", "default_records", "prepare"]

_FORMS = ("bin", "hex", "srec")


@dataclass(frozen=True, slots=True)
class Wanted:
    """A batch as a person asks for it; "" or None where there is a default."""

    table: str
    values: SourceText | None = None
    settings: tuple[str, ...] = ()
    calibrations: str | None = None
    serial: str | None = None
    serial_parameter: str | None = None
    first: int = 1
    name: str | None = None
    again: bool = False
    output: str | None = None
    form: str = "bin"
    write_defaults: bool = False


def prepare(plan: Plan, wanted: Wanted,
            now: Callable[[], str]) -> tuple[BatchJob, tuple[Finding, ...]]:
    """Return the job, and warnings about its values.

    FindingsError for mistakes in the values file or the pattern; ToolError for a parameter that
    cannot hold serial numbers, a folder that is not there, or a name that cannot be one. As
    `read_rows` for a table that cannot be read.
    """
    place = serial_place(plan.schema, wanted.serial_parameter)
    # A rule between two values is one of each unit: its table and its calibration have their say.
    given = read_values(plan.schema, wanted.values, wanted.settings,
                        partial=wanted.calibrations is not None,
                        elsewhere=table_parameters(plan.schema, wanted.table))
    common = _common_calibrations(plan, wanted.calibrations, given)
    values = {group: {**given.values.get(group, {}), **common.get(group, {})}
              for group in (*given.values, *common)}
    pattern = read_pattern(wanted.serial, place) if wanted.serial is not None else None
    name = wanted.name or Path(wanted.table).stem
    if not SERIAL.fullmatch(name):
        raise ToolError(f"`{name}` cannot be the name of a batch",
                        "give one of letters, digits, `.`, `_` and `-` with --batch")
    if wanted.calibrations is not None and not Path(wanted.calibrations).is_dir():
        raise ToolError(f"there is no folder `{wanted.calibrations}`",
                        "`paramstore calibrate -o FOLDER` makes one")
    if wanted.form not in _FORMS:
        raise ToolError(f"a batch is not made as `{wanted.form}`",
                        f"use one of: {', '.join(_FORMS)}; `paramstore pack` knows more")
    form = FORMS[wanted.form]
    if wanted.output is not None:
        check_output(wanted.output, form)
    job = BatchJob(plan, wanted.table, name, complete(plan, values), place, now, form,
                   form.suffixes[0], pattern, wanted.first, wanted.again, wanted.calibrations,
                   tuple(g for g in ungiven(plan, values) if g != place.group.name),
                   wanted.write_defaults, _left_out(plan, values, place), common)
    return job, given.warnings


def _common_calibrations(plan: Plan, folder: str | None, given: GivenValues) -> StoreRaws:
    """Return what was measured once for all units, as the folder of calibrations has it.

    FindingsError for mistakes of the file, and for a value that is given otherwise (PS957)."""
    path = Path(folder or "", ALL_UNITS_FILE)
    if folder is None or not path.is_file():
        return {}
    source = read_text(path)
    common = read_values(plan.schema, source, partial=True).values
    clashes = [f"{group}.{name}" for group, fields in common.items() for name, raws in
               fields.items() if given.values.get(group, {}).get(name, raws) != raws]
    if clashes:
        raise FindingsError([Finding(
            "PS957", f"`{name}` differs between the values of all units and their calibration",
            source, help="take it out of one of them") for name in clashes])
    return common


def _left_out(plan: Plan, values: StoreRaws, place: SerialPlace) -> dict[str, tuple[str, ...]]:
    """Return what no value is given for, but the serial number: each unit has one."""
    return {group: tuple(n for n in names if (group, n) != (place.group.name, place.parameter.name))
            for group, names in left_out(plan, values).items()}


def default_records(schema_path: str) -> str:
    """Return where the records of a schema are kept: beside it, where every run finds them."""
    path = Path(schema_path)
    return str(path.with_name(f"{path.stem}.units.db"))


def count_lines(path: str) -> int:
    """Return about how many rows a table has, to count by; ToolError if it is not there."""
    try:
        with Path(path).open("rb") as stream:
            return sum(block.count(b"\n") for block in iter(lambda: stream.read(1 << 20), b""))
    except OSError as error:
        raise unreadable(path, error) from error
