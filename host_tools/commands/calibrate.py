"""`paramstore calibrate`: bench measurements to calibration parameters, unit by unit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.as_found import in_dumps, in_records
from host_tools.options import (
    file_option,
    gathered,
    json_option,
    output_option,
    picture_option,
    records_option,
    release_option,
    serial_option,
    values_option,
)
from host_tools.streams import STDIN, read_bytes, read_source, write_bytes
from host_tools.terminal import answer, say, say_caution, show_findings

if TYPE_CHECKING:
    from paramstore.calibrate.as_found import FoundValues
    from paramstore.calibrate.recipe import Recipe
    from paramstore.calibrate.result import Outcome
    from paramstore.calibrate.table import Table
    from paramstore.core.errors import Finding
    from paramstore.image.values import GivenValues
    from paramstore.layout.plan import Plan
    from paramstore.releases.project import Project
    from paramstore.schema.model import Schema


def read_tables(recipe: Recipe, arguments: tuple[str, ...]) -> dict[str, Table]:
    """Read each NAME=TABLE for the calibration it names; a mere TABLE if there is only one."""
    from paramstore.calibrate.cells import source_of
    from paramstore.calibrate.table import read_table
    from paramstore.core.errors import ToolError
    from paramstore.core.words import code_list

    names = [c.name for c in recipe.calibrations]
    tables: dict[str, Table] = {}
    for argument in arguments:
        name, equals, path = argument.partition("=")
        if len(names) == 1 and name not in names:
            name, equals, path = names[0], "=", argument
        calibration = recipe.calibration(name)
        if not equals or calibration is None:
            raise ToolError(f"`{argument}` does not say which calibration it is for",
                            f"write NAME=TABLE, where NAME is {code_list(names, 'or')}")
        if name in tables:
            raise ToolError(f"there are two tables for `{name}`", "put all units into one table")
        source = source_of(STDIN if path == "-" else path, read_bytes(path))
        tables[name] = read_table(source, calibration)
    return tables


def value_files(schema: Schema, outcome: Outcome, base: GivenValues | None,
                output: str) -> Iterator[tuple[str, str]]:
    """Yield path and text of each values file: one, or one for each serial number in a folder, and
    there one more of what was measured once for all units. What is not accepted has none."""
    from pathlib import Path

    from paramstore.calibrate.acceptance import Decision
    from paramstore.calibrate.recipe import ALL_UNITS_FILE
    from paramstore.core.errors import ToolError
    from paramstore.image.values_out import values_toml

    single = output == "-" or output.endswith(".toml")
    if single and len(outcome.units) > 1:
        raise ToolError(f"{len(outcome.units)} units do not go into one values file",
                        "give a folder with -o; it gets one file for each serial number")
    if not single and not outcome.units[0].serial:
        raise ToolError("the tables have no serial numbers to name files by",
                        "give a file with -o, such as unit.toml; or the unit with --serial")
    for unit in outcome.units:
        if not outcome.goes_out(unit):
            continue
        merged = {group: dict(fields) for group, fields in (base.values if base else {}).items()}
        for group, fields in unit.values.items():
            merged.setdefault(group, {}).update(fields)
        path = output if single else str(Path(output) / f"{unit.serial}.toml")
        yield path, values_toml(schema, merged)
    if not single and outcome.common and all(r.left in (None, Decision.PASS)
                                             for r in outcome.common):
        yield str(Path(output) / ALL_UNITS_FILE), values_toml(schema, outcome.common_values)


def checked_serial(text: str | None) -> str:
    """Return a serial number, "" if there is none; ToolError if it cannot be one, for it names
    files."""
    from paramstore.calibrate.table import SERIAL_TEXT
    from paramstore.core.errors import ToolError

    if text is not None and not SERIAL_TEXT.fullmatch(text):
        raise ToolError(f"`{text}` cannot be a serial number",
                        "give up to 64 letters, digits, `.`, `_` and `-`, the first no sign")
    return text or ""


def record_files(schema: Schema, outcome: Outcome, output: str) -> Iterator[tuple[str, str]]:
    """Yield path and text of each record: one page or one JSON file, or both for each serial number
    in a folder. ToolError if the units do not go into one file, or have no names."""
    from pathlib import Path

    from paramstore.core.errors import ToolError
    from paramstore.core.text import json_text
    from paramstore.report.calibration_record import (
        calibration_record_data,
        calibration_record_html,
    )

    single = output == "-" or output.endswith((".html", ".json"))
    if single and len(outcome.units) > 1:
        raise ToolError(f"{len(outcome.units)} units do not go into one record",
                        "give a folder with --calibration-record; it gets two files for each unit")
    if not single and not outcome.units[0].serial:
        raise ToolError("the tables have no serial numbers to name files by",
                        "give a file with --calibration-record, such as record.html; or the unit "
                        "with --serial")
    for unit in outcome.units:
        stem = str(Path(output) / unit.serial)
        if not output.endswith(".json"):
            yield (output if single else f"{stem}.html",
                   calibration_record_html(outcome, unit, schema))
        if not single or output.endswith(".json"):
            data = calibration_record_data(outcome, unit, schema)
            yield output if single else f"{stem}.json", json_text(data) + "\n"


class CalibrateOptions(NamedTuple):
    """What is made of the measurements."""

    output: str | None
    values: str | None
    picture: str | None
    calibration_record: str | None
    details: bool | None
    as_found: str | None
    records: str | None
    date: datetime | None
    person: str
    ambient: str
    serial: str | None
    release: int | None


def shown(text: str, option: str) -> str:
    """Return a text that goes into records; ToolError if it could not be shown there."""
    from paramstore.core.errors import ToolError
    from paramstore.core.text import first_unprintable

    if first_unprintable(text):
        raise ToolError(f"{option} has a character that does not print",
                        "type the text anew, in letters, signs and blanks")
    return text


def serials_of(recipe: Recipe, tables: Mapping[str, Table], serial: str) -> list[str]:
    """Return the units that tables are of; `serial` where a table does not say it."""
    own = [t for n, t in tables.items() if (c := recipe.calibration(n)) and not c.all_units]
    return list(dict.fromkeys(s or serial for t in own for s in t.units))


def found_values(project: Project, schema: str, plan: Plan, recipe: Recipe,
                 options: CalibrateOptions, serials: list[str]) -> dict[str, FoundValues]:
    """Return what each unit held before, by serial number, as far as that is asked for. ToolError
    if a dump holds the serial number of another unit."""
    from paramstore.core.errors import ToolError
    from paramstore.production.found import serial_in

    if options.as_found is not None and options.records is not None:
        raise ToolError("--as-found and --records both say what a unit held before",
                        "leave one of them out")
    if options.as_found is not None:
        found = dict(in_dumps(options.as_found, project, schema, plan, serials))
    elif options.records is not None:
        return dict(in_records(options.records, plan, serials))
    else:
        return {}
    for serial, values in found.items():
        held = serial_in(plan, recipe.serial.name, values) if recipe.serial else ""
        if serial and held not in ("", serial):
            raise ToolError(f"the dump of unit {serial} is of unit {held}",
                            "give the dump of the unit that was measured")
    return found


@click.command()
@click.argument("schema")
@click.argument("recipe")
@click.argument("tables", nargs=-1, required=True, metavar="[NAME=]TABLE...")
@gathered(
    "options", CalibrateOptions,
    output_option("A values file (.toml) for `pack`; for several units a folder of them."),
    values_option,
    picture_option,
    file_option("--calibration-record", metavar="PATH", help="The record of the calibration, a "
                "page to print (.html) or data (.json); for several units a folder of both."),
    click.option("--details/--no-details", default=None,
                 help="Show every unit and point, or a line for each unit (default: by how "
                 "many units there are)."),
    click.option("--as-found", metavar="PATH", help="What the unit held before: its dump, or a "
                 "folder with a dump named by the serial number of each unit."),
    records_option,
    click.option("--date", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE",
                 help="Date of the measurements, such as 2026-02-17."),
    click.option("--person", metavar="NAME", default="", help="Who measured."),
    click.option("--ambient", metavar="TEXT", default="", help="Ambient conditions."),
    serial_option,
    release_option)
@json_option
def command(schema: str, recipe: str, tables: tuple[str, ...], options: CalibrateOptions) -> int:
    """Example: paramstore calibrate schemas/tank_probe.toml schemas/tank_probe.calibration.toml
    electrode=schemas/tank_probe.electrode.csv -o unit.toml --svg errors.svg

    Fit the measurements in each TABLE (CSV) with the model that RECIPE has under NAME, store the
    results in the parameters of SCHEMA, and tell what that makes of every point. Outliers are
    reported, never taken out. What --values gives goes into every values file as well. A table
    without a column `serial` is of the unit that --serial names. NAME may be left out where RECIPE
    has one calibration. Errors as found need what the unit held before: its dump (--as-found), or
    its record (--records). Exit code 0: done, and every unit passes where the recipe has limits.
    Exit code 1: a unit fails or cannot be decided, and gets no values file; or an input has
    mistakes, or a result breaks a limit of the schema, and nothing was written.
    """
    from paramstore.calibrate.recipe_reader import read_recipe
    from paramstore.calibrate.run import calibrate
    from paramstore.core.disk import make_folder
    from paramstore.image.values import read_values
    from paramstore.releases.project import open_project
    from paramstore.report.calibration import calibration_text
    from paramstore.report.calibration_data import calibration_data
    from paramstore.report.residual_plot import residual_svg

    project = open_project(read_source(schema))
    plan = project.release(options.release)
    model = plan.schema
    procedure = read_recipe(model, read_source(recipe)).given(
        options.date.date() if options.date else None, shown(options.person, "--person"),
        shown(options.ambient, "--ambient"))
    values, output = options.values, options.output
    base = read_values(model, read_source(values), partial=True) if values else None
    measured = read_tables(procedure, tables)
    serial = checked_serial(options.serial)
    found = found_values(project, schema, plan, procedure, options,
                         serials_of(procedure, measured, serial))
    outcome = calibrate(procedure, measured, serial, found, base.values if base else {})
    findings: tuple[Finding, ...] = (*project.findings, *(base.warnings if base else ()),
                                     *outcome.warnings)
    paths = [t.source.path for t in measured.values()]
    inputs = (schema, recipe, values, options.as_found, options.records,
              *(p for p in paths if p != STDIN))
    files = list(value_files(model, outcome, base, output)) if output else []
    kept = options.calibration_record
    records = list(record_files(model, outcome, kept)) if kept else []
    if options.picture:
        write_bytes(options.picture, residual_svg(outcome).encode("utf-8"), inputs, "--svg")
    answer(findings, lambda: calibration_data(outcome),
           lambda: calibration_text(outcome, details=options.details),
           tell=lambda: show_findings(findings))
    for made, folder, option in ((files, output, "-o"), (records, kept, "--calibration-record")):
        if made and folder and made[0][0] != folder:
            make_folder(folder)
        for path, text in made:
            write_bytes(path, text.encode("utf-8"), inputs, option)
    for unit in outcome.units if output else ():
        if not outcome.goes_out(unit):
            say(f"unit {unit.serial}: ".replace("unit : ", "")
                + "no values file, for it is not accepted", err=True)
    say_caution()
    return 0 if outcome.accepted else 1
