"""`paramstore read`: the content of a part on a bus."""

from __future__ import annotations

import click

from host_tools.dumps import report_on_dump
from host_tools.options import (
    BusOptions,
    ImageOptions,
    bus_options,
    image_options,
    json_option,
    release_option,
    write_options,
)
from host_tools.parts_on_buses import look_at, open_part
from host_tools.streams import read_source, refuse_input, write_bytes


@click.command()
@click.argument("schema")
@image_options("Write a dump.")
@click.option("--whole", is_flag=True,
              help="Read all bytes, not the label and the rings alone; -o does that too.")
@release_option
@bus_options
@json_option
def command(schema: str, image: ImageOptions, whole: bool, release: int | None,
            at: BusOptions) -> int:
    """Example: paramstore read schemas/tank_probe.toml --bus 1 -o dump.bin

    Read the part of SCHEMA and show every value and what is wrong, as `unpack` does with a dump.
    Nothing is written to the part. Exit codes as those of `unpack`.
    """
    from paramstore.bus.recognise import small_part
    from paramstore.files import binary
    from paramstore.files.forms import encode_image
    from paramstore.inspect.store import examine_store
    from paramstore.inspect.which import project_candidates
    from paramstore.releases.history import ReleaseHistory
    from paramstore.releases.project import open_project
    from paramstore.report.image import image_data, image_text

    output = image.output
    form = image.form if output is not None else None
    if output is not None:
        refuse_input(output, (schema, at.part_file))
    project = open_project(read_source(schema))
    if form is not None:  # before the part is read: what the form cannot say is refused here
        encode_image(bytes(project.plan.part.capacity), form, write_options(image))
    if release is not None:
        project = project._replace(plan=project.release(release), history=ReleaseHistory())
    with open_part(project.plan, at) as programmer:
        name = programmer.name
        contents = look_at(programmer, project, whole=whole or output is not None)
        if contents.gaps and (contents.label is None or small_part(contents, name)):
            # Only all of it tells which release it is of, or what the missing half costs.
            contents = look_at(programmer, project, whole=True)
    data = contents.image  # what was not read counts as free: labels and rings are all there
    found = examine_store(binary.read(data, name), project_candidates(project, name),
                          offset=0, what="part")
    small = () if any(f.code == "PS653" for f in found.findings) else small_part(contents, name)
    code = report_on_dump((*project.findings, *small, *found.findings),
                          lambda: image_data(found.contents), lambda: image_text(found.contents))
    if output is not None and form is not None:
        write_bytes(output, encode_image(data, form, write_options(image)), inputs=())
    return code
