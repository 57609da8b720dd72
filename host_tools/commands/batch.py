"""`paramstore batch`: images of many units from a table, with serial numbers and records."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from host_tools.images import defaults_option
from host_tools.progress import counted
from host_tools.streams import read_source, refuse_input
from host_tools.terminal import release_option, say, say_json, say_text, show_findings

if TYPE_CHECKING:
    from paramstore.production.batch import BatchJob, Checked, Made


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


def run(job: BatchJob, records: str, output: str, units: int) -> Made:
    """Make every unit without mistakes."""
    from paramstore.production.outputs import open_output
    from paramstore.production.records import Records

    with (counted("Making", units, "units") as tell,
          Records(records, create=True) as kept, open_output(output) as out):
        return job.run(kept, out, tell)


@click.command()
@click.argument("schema")
@click.argument("table")
@click.option("-o", "--output", metavar="PATH", help="A folder, an archive (.tar, .tar.gz), or one "
              "file of images end to end (.bin). Without it the table is only checked.")
@click.option("--serial", metavar="PATTERN", help="Give serial numbers, such as TP-26-####; "
              "without it the table has them.")
@click.option("--first", type=click.IntRange(0), default=1, show_default=True, metavar="N",
              help="The number to begin with.")
@click.option("--serial-parameter", metavar="GROUP.PARAMETER",
              help="Where serial numbers are (default: `serial` of a group of role identity).")
@click.option("--values", metavar="FILE", help="Values that are the same for all units.")
@click.option("--set", "settings", multiple=True, metavar="GROUP.PARAMETER=VALUE",
              help="One such value; may be repeated.")
@click.option("--calibrations", metavar="FOLDER",
              help="A values file for each serial number of the table, as `calibrate -o` "
              "writes them.")
@click.option("--records", metavar="FILE", help="The records (default: beside the schema).")
@click.option("--batch", "name", metavar="NAME", help="The batch (default: the table's name).")
@click.option("--again", is_flag=True,
              help="Units on record from another batch get a new image.")
@click.option("--skip-bad", is_flag=True, help="Leave rows with mistakes out, and make the rest.")
@click.option("--format", "form", default="bin", metavar="FORM",
              help="Of the images: bin, hex or srec (default: bin).")
@defaults_option
@release_option
@click.option("--json", "as_json", is_flag=True, help="Tell what was made as JSON.")
def command(schema: str, table: str, output: str | None, serial: str | None, first: int,
            serial_parameter: str | None, values: str | None, settings: tuple[str, ...],
            calibrations: str | None, records: str | None, name: str | None, again: bool,
            skip_bad: bool, form: str, write_defaults: bool, release: int | None,
            as_json: bool) -> None:
    """Example: paramstore batch schemas/tank_probe.toml units.csv --serial TP-26-#### -o images

    Make an image for each row of TABLE (CSV), whose columns are called GROUP.PARAMETER [UNIT]. All
    rows are checked first; with a mistake nothing is written. Each unit is recorded with its serial
    number, which is never given twice: not after a crash, not by two runs at once. Repeat a run
    that was cut short as it was: it goes on. An identity or calibration group that a unit has no
    values of is left without a record, so a row may leave all its cells of one empty. Exit code 1:
    the table has mistakes.
    """
    from paramstore.core.errors import errors_in
    from paramstore.production.start import Wanted, count_lines, default_records, prepare
    from paramstore.releases.project import open_project
    from paramstore.report.batch import batch_data, batch_text, checked_text
    from paramstore.report.findings import findings_data
    from paramstore.report.wording import CAUTION

    project = open_project(read_source(schema))
    job, warnings = prepare(project.release(release), Wanted(
        table, read_source(values) if values else None, settings, calibrations, serial,
        serial_parameter, first, name, again, output, form, write_defaults), now)
    records = records or default_records(schema)
    if output is not None:
        refuse_input(output, (schema, table, values, records))
    checked = check(job, records, count_lines(table))
    findings = (*project.findings, *warnings, *checked.findings)
    bad = bool(errors_in(findings))
    made = None
    if output is not None and checked.rows > checked.bad and (skip_bad or not bad):
        made = run(job, records, output, checked.rows - checked.bad)
    if as_json:
        data = findings_data(findings) | batch_data(job, checked, made)
        say_json(data)
    else:
        show_findings(findings)
        say_text(checked_text(job, checked))
        if made is not None:
            say_text(batch_text(job, made, output or "", records))
    if made is not None:
        say_text(CAUTION + "\n", err=True)
    elif bad and output is not None:
        say("nothing was written", err=True)
    raise SystemExit(1 if bad else 0)
