"""`paramstore read`: the content of a part on a bus."""

from __future__ import annotations

import click

from host_tools.dumps import show_report
from host_tools.parts_on_buses import PartAt, bus_options, look_at, open_part
from host_tools.streams import read_source, refuse_input, write_bytes
from host_tools.terminal import release_option, say_json


@click.command()
@click.argument("schema")
@click.option("-o", "--output", metavar="FILE", help="Write a dump; `-`: stdout.")
@click.option("--format", "form_name", metavar="FORM", help="Of the dump (default: by the suffix).")
@click.option("--whole", is_flag=True,
              help="Read all bytes, not the label and the rings alone; -o does that too.")
@release_option
@bus_options
@click.option("--json", "as_json", is_flag=True, help="Write JSON, every slot included.")
@click.pass_context
def command(ctx: click.Context, schema: str, output: str | None, form_name: str | None,
            whole: bool, release: int | None, at: PartAt, as_json: bool) -> None:
    """Example: paramstore read schemas/tank_probe.toml --bus 1 -o dump.bin

    Read the part of SCHEMA and show every value and what is wrong, as `unpack` does with a dump.
    Nothing is written to the part. Exit codes as those of `unpack`.
    """
    from paramstore.bus.recognise import small_part
    from paramstore.core.errors import ToolError, errors_in
    from paramstore.files import binary
    from paramstore.files.forms import encode_image, form_of
    from paramstore.inspect.store import examine_store
    from paramstore.inspect.which import project_candidates
    from paramstore.releases.history import History
    from paramstore.releases.project import open_project
    from paramstore.report.findings import findings_data
    from paramstore.report.image import image_data, image_text

    form = form_of(output, form_name) if output else None
    if output and form:
        if form.name == "uf2":
            raise ToolError(f"a part is not read as {form.title}", "write raw binary or Intel HEX")
        refuse_input(output, (schema, at.part_file))
    project = open_project(read_source(schema))
    if release is not None:
        project = project._replace(plan=project.release(release), history=History())
    with open_part(project.plan, at) as programmer:
        name = programmer.name
        contents = look_at(programmer, project, whole=whole or output is not None)
        if contents.gaps and (contents.label is None or small_part(contents, name)):
            # Only all of it tells which release it is of, or what the missing half costs.
            contents = look_at(programmer, project, whole=True)
    image = contents.image  # what was not read counts as free: labels and rings are all there
    found = examine_store(binary.read(image, name), project_candidates(project, name), offset=0,
                    what="part")
    small = () if any(f.code == "PS653" for f in found.findings) else small_part(contents, name)
    findings = (*project.findings, *small, *found.findings)
    talk = output == "-"  # stdout is the dump then
    if as_json:
        data = findings_data(findings) | image_data(found.contents)
        say_json(data, err=talk)
    else:
        show_report(image_text(found.contents), findings, text_err=talk, findings_err=True)
    if output and form:
        write_bytes(output, encode_image(image, form), inputs=())
    ctx.exit(1 if errors_in(findings) else 0)
