"""`paramstore batch`: images of many units from a table, with serial numbers and records."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime
from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.options import (
    ValueOptions,
    batch_option,
    defaults_option,
    gathered,
    json_option,
    output_option,
    records_option,
    release_option,
    value_options,
)
from host_tools.progress import counted
from host_tools.streams import read_source, refuse_input
from host_tools.terminal import answer, say, say_caution

if TYPE_CHECKING:
    from paramstore.production.batch import BatchJob, BatchResult, Checked


def now() -> str:
    """Return the time for the records."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def check(job: BatchJob, records: str, lines: int) -> Checked:
    """Look at the whole table, and at the records if there are any."""
    from pathlib import Path

    from paramstore.production.records import Records

    known = Records(records) if Path(records).exists() else None
    with counted("Checking", lines, "lines") as tell, known or nullcontext():
        return job.check(known, tell)


def run(job: BatchJob, records: str, output: str, units: int) -> BatchResult:
    """Make every unit without mistakes."""
    from paramstore.production.outputs import open_output
    from paramstore.production.records import Records

    with (counted("Making", units, "units") as tell,
          Records(records, create=True) as kept, open_output(output) as out):
        return job.run(kept, out, tell)


class BatchOptions(NamedTuple):
    """A batch as the options say it."""

    output: str | None
    new_serials: str | None
    first: int
    serial_parameter: str | None
    calibrations: str | None
    records: str | None
    batch: str | None
    again: bool
    skip_bad: bool
    form_name: str
    write_defaults: bool
    release: int | None


@click.command()
@click.argument("schema")
@click.argument("table")
@value_options
@gathered(
    "options", BatchOptions,
    output_option("A folder, an archive (.tar, .tar.gz), or one file of images end to end (.bin). "
                  "Without it the table is only checked."),
    click.option("--new-serials", metavar="PATTERN", help="Give serial numbers, such as "
                 "TP-26-####; without it the table has them."),
    click.option("--first", type=click.IntRange(0), default=1, show_default=True, metavar="N",
                 help="The number to begin with."),
    click.option("--serial-parameter", metavar="GROUP.PARAMETER",
                 help="Where serial numbers are (default: `serial` of a group of role identity)."),
    click.option("--calibrations", metavar="FOLDER",
                 help="A values file for each serial number of the table, as `calibrate -o` "
                 "writes them."),
    records_option,
    batch_option,
    click.option("--again", is_flag=True,
                 help="Units on record from another batch get a new image."),
    click.option("--skip-bad", is_flag=True,
                 help="Leave rows with mistakes out, and make the rest."),
    click.option("--format", "form_name", default="bin", metavar="FORM",
                 help="Form of the images: bin, hex or srec (default: bin)."),
    defaults_option,
    release_option)
@json_option
def command(schema: str, table: str, wanted: ValueOptions, options: BatchOptions) -> int:
    """Example: paramstore batch schemas/tank_probe.toml units.csv --new-serials TP-26-#### -o made

    Make an image for each row of TABLE (CSV), whose columns are called GROUP.PARAMETER [UNIT]. All
    rows are checked first; with a mistake nothing is written. Values of --values and --set are the
    same for all units. Each unit is recorded with its serial number, which is never given twice:
    not after a crash, not by two runs at once. The records are beside the schema, and the batch has
    the name of the table, unless --records and --batch say otherwise. Repeat a run that was cut
    short as it was: it goes on. An identity or calibration group that a unit has no values of is
    left without a record, so a row may leave all its cells of one empty. Exit code 1: the table has
    mistakes.
    """
    from paramstore.core.errors import errors_in
    from paramstore.production.start import Wanted, count_lines, default_records, prepare
    from paramstore.releases.project import open_project
    from paramstore.report.batch import batch_data, batch_text, checked_text

    project = open_project(read_source(schema))
    output = options.output
    job, warnings = prepare(project.release(options.release), Wanted(
        table, read_source(wanted.values) if wanted.values else None, wanted.settings,
        options.calibrations, options.new_serials, options.serial_parameter, options.first,
        options.batch, options.again, output, options.form_name, options.write_defaults), now)
    records = options.records or default_records(schema)
    if output is not None:
        refuse_input(output, (schema, table, wanted.values, records))
    checked = check(job, records, count_lines(table))
    findings = (*project.findings, *warnings, *checked.findings)
    bad = bool(errors_in(findings))
    made = None
    if output is not None and checked.rows > checked.bad and (options.skip_bad or not bad):
        made = run(job, records, output, checked.rows - checked.bad)
    code = answer(findings, lambda: batch_data(job, checked, made), lambda: checked_text(
        job, checked) + ("" if made is None else batch_text(job, made, output or "", records)))
    if made is not None:
        say_caution()
    elif bad and output is not None:
        say("nothing was written", err=True)
    return code
