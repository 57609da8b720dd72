"""`paramstore verify`: does a part on a bus hold what it should."""

from __future__ import annotations

import click

from host_tools.options import (
    BusOptions,
    ValueOptions,
    bus_options,
    input_form_option,
    json_option,
    records_option,
    value_options,
)
from host_tools.parts_on_buses import (
    check_records,
    look_at,
    open_part,
    other_unit,
    read_target,
    read_wanted,
)
from host_tools.streams import read_source
from host_tools.terminal import answer, say
from host_tools.writing import Notes


@click.command()
@click.argument("schema")
@click.argument("image", required=False)
@value_options
@click.option("--exact", is_flag=True, help="Byte by byte, with an image.")
@input_form_option
@bus_options
@records_option
@json_option
def command(schema: str, image: str | None, wanted: ValueOptions, exact: bool,
            input_format: str | None, at: BusOptions, records: str | None) -> int:
    """Example: paramstore verify schemas/tank_probe.toml unit.bin --bus 1

    Compare a part with IMAGE, or with values, parameter by parameter, and count the copies of each
    group. Of values what they name is compared. With --records the result for an image is noted
    there. Exit code 1: the part differs, or is not of this store.
    """
    from paramstore.bus.compare import compare, damage
    from paramstore.bus.recognise import recognise, unlabelled_release
    from paramstore.releases.project import open_project
    from paramstore.report.bus import comparison_data, comparison_text

    project = open_project(read_source(schema))
    target = read_target(project, image, input_format, wanted, exact)
    check_records(records)
    with open_part(project.plan, at) as programmer:
        name = programmer.name
        contents = look_at(programmer, project, whole=exact)
    recognise(contents, name)
    values, whole = read_wanted(project, contents.plan, target)
    found = compare(contents, values, whole, exact=exact)
    other = other_unit(records, whole, contents, name)
    findings = (*unlabelled_release(contents, project, name), *damage(contents, name),
                *((other,) if other else ()))
    if other is None and whole is not None:
        Notes(records, whole).end("verify", found.equal, found.words, contents)
    elif records is not None:
        say(f"{records}: " + (other.message if other else
                              "only an image is compared for the records")
            + "; nothing was noted", err=True)
    answer(findings, lambda: comparison_data(contents.plan, name, found),
           lambda: comparison_text(contents.plan, name, found))
    return 0 if found.equal else 1
