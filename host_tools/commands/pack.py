"""`paramstore pack`: an image for a part, from a schema and values."""

from __future__ import annotations

from typing import Any

import click

from host_tools.images import (
    ImageOptions,
    defaults_option,
    encoded,
    image_options,
    outside_text,
)
from host_tools.streams import read_source, write_bytes
from host_tools.terminal import release_option, say, say_json, say_text, show_findings


@click.command()
@click.argument("schema")
@click.argument("values", required=False)
@click.option("-o", "--output", required=True, metavar="FILE",
              help="The image; `-` with --format: stdout.")
@click.option("--format", "form_name", metavar="FORM",
              help="bin, hex, srec, uf2, c or text (default: by the suffix).")
@image_options
@click.option("--set", "settings", multiple=True, metavar="GROUP.PARAMETER=VALUE",
              help="One value, on top of the values file; may be repeated. VALUE as in a "
                   "values file; quotes around texts and brackets around lists may be left out.")
@defaults_option
@release_option
@click.option("--json", "as_json", is_flag=True, help="Tell what was written as JSON.")
def command(schema: str, values: str | None, output: str, form_name: str | None,
            settings: tuple[str, ...], write_defaults: bool, release: int | None, as_json: bool,
            **form_options: Any) -> None:
    """Example: paramstore pack schemas/tank_probe.toml unit.toml -o unit.hex

    Make the image of a whole part: its label, and the first record of every group. VALUES is a
    TOML file of physical values; what it does not name has its default. An identity or calibration
    group of which it names nothing is left without a record: the firmware serves its defaults and
    says so. SCHEMA or VALUES may be `-`: standard input. Exit code 1: SCHEMA or VALUES has
    mistakes; nothing was written.
    """
    from paramstore.files.forms import form_of
    from paramstore.image.pack import left_out, pack, ungiven
    from paramstore.image.values import read_values
    from paramstore.releases.project import open_project
    from paramstore.report.findings import findings_data
    from paramstore.report.wording import CAUTION, in_part_lines, without_lines

    form = form_of(output, form_name)
    project = open_project(read_source(schema))
    plan = project.release(release)
    given = read_values(plan.schema, read_source(values) if values else None, settings)
    findings = (*project.findings, *given.warnings)
    image = pack(plan, given.values, defaults=write_defaults)
    without = ungiven(plan, given.values)
    in_part = {g: names for g, names in left_out(plan, given.values).items() if g not in without}
    content = encoded(image, plan, form, ImageOptions(**form_options))
    write_bytes(output, content, inputs=(schema, values))
    talk = output == "-"  # stdout is the image then
    if as_json:
        say_json(findings_data(findings) | {
            "store": plan.schema.name, "part": plan.part.name, "layout_id": plan.layout_id,
            "fill_outside": [list(r) for r in form.fill_outside(
                form_options["offset"], len(image))], "output": output,
            "form": form.name, "image_bytes": len(image),
            "without_record": [] if write_defaults else list(without),
            "defaults_written": list(without) if write_defaults else [],
            "defaults_among_values": {g: list(names) for g, names in in_part.items()},
        }, err=talk)
    else:
        show_findings(findings)
        only = "the used pages of " if form_options["used_pages"] else ""
        say(f"{output}: {plan.schema.name} on the {plan.part.name}, {only}{len(image)} "
                   f"bytes, {form.title}", err=talk)
        if outside := outside_text(form, form_options["offset"], len(image), form_options["fill"]):
            say(outside, err=talk)
        for line in (*without_lines(without, write_defaults), *in_part_lines(in_part)):
            say(line, err=talk)
    say_text(CAUTION + "\n", err=True)
