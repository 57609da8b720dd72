"""`paramstore verify`: does a part on a bus hold what it should."""

from __future__ import annotations

import click

from host_tools.parts_on_buses import (
    PartAt,
    bus_options,
    check_records,
    look_at,
    open_part,
    other_unit,
    read_source_of,
    read_wanted,
    records_option,
)
from host_tools.streams import read_source
from host_tools.terminal import say, say_json, say_text, show_findings
from host_tools.writing import Notes


@click.command()
@click.argument("schema")
@click.argument("source", required=False)
@click.option("--set", "settings", multiple=True, metavar="GROUP.PARAMETER=VALUE",
              help="One value, on top of a values file; may be repeated.")
@click.option("--exact", is_flag=True, help="Compare with an image byte by byte.")
@click.option("--format", "form_name", metavar="FORM",
              help="Of an image (default: by the suffix).")
@bus_options
@records_option
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
def command(schema: str, source: str | None, settings: tuple[str, ...], exact: bool,
            form_name: str | None, at: PartAt, records: str | None, as_json: bool) -> None:
    """Example: paramstore verify schemas/tank_probe.toml unit.bin --bus 1

    Compare a part with SOURCE, an image or a values file (.toml), parameter by parameter, and count
    the copies of each group. A values file is compared in what it names. Exit code 1: the part
    differs, or is not of this store.
    """
    from paramstore.bus.compare import compare, damage
    from paramstore.bus.recognise import recognise, unlabelled_release
    from paramstore.releases.project import open_project
    from paramstore.report.bus import comparison_data, comparison_text
    from paramstore.report.findings import findings_data

    project = open_project(read_source(schema))
    wanted_from = read_source_of(project, source, form_name, settings, exact)
    check_records(records)
    with open_part(project.plan, at) as programmer:
        name = programmer.name
        contents = look_at(programmer, project, whole=exact)
    recognise(contents, name)
    values, image = read_wanted(project, contents.plan, wanted_from)
    found = compare(contents, values, image, exact=exact)
    other = other_unit(records, image, contents, name)
    findings = (*unlabelled_release(contents, project, name), *damage(contents, name),
                *((other,) if other else ()))
    if other is None and image is not None:
        Notes(records, image).end("verify", found.equal, found.words, contents)
    elif records is not None:
        say(f"{records}: " + (other.message if other else
                              "only an image is compared for the records")
            + "; nothing was noted", err=True)
    if as_json:
        data = findings_data(findings) | comparison_data(contents.plan, name, found)
        say_json(data)
    else:
        show_findings(findings)
        say_text(comparison_text(contents.plan, name, found))
    raise SystemExit(0 if found.equal else 1)
