"""`paramstore salvage`: a clean image from a damaged dump."""

from __future__ import annotations

import click

from host_tools.dumps import examined_store, schemas_at, show_dumps
from host_tools.options import (
    ImageOptions,
    InputOptions,
    encoded,
    image_options,
    input_options,
    json_option,
    outside_text,
    release_option,
    used_pages_option,
)
from host_tools.streams import write_bytes
from host_tools.terminal import say, say_caution, tint


@click.command()
@click.argument("schema")
@click.argument("dump")
@image_options("The image.", used_pages_option, required=True)
@click.option("--repair", is_flag=True,
              help="Take newer records that one or two changed bits make whole.")
@input_options(release_option)
@json_option
def command(schema: str, dump: str, image: ImageOptions, repair: bool, given: InputOptions) -> int:
    """Example: paramstore salvage schemas/tank_probe.toml broken.bin -o clean.bin

    Write the image of a whole part with the newest whole record of each group, as a freshly packed
    one has it, and list what came from where. What is lost has its defaults. Check the values
    before the image goes into a unit. Exit code 1: something is lost, so defaults or an older
    record stand in for it.
    """
    from paramstore.core.errors import ToolError
    from paramstore.inspect.salvage import salvage
    from paramstore.report.salvage import salvage_data, salvage_text

    form = image.form
    found = examined_store(schemas_at(schema, given, stores_only=True), given, dump)
    if not found.contents.readable or found.contents.blank:
        raise ToolError(f"`{dump}` holds nothing of `{found.plan.schema.name}` to salvage",
                        "`paramstore examine` says what it holds")
    saved = salvage(found, repair=repair)
    output = image.output or ""
    write_bytes(output, encoded(saved.image, found.plan, image), inputs=(schema, dump))
    show_dumps([found], lambda: {"output": output} | salvage_data(saved),
               lambda: salvage_text(saved, tint))
    if outside := outside_text(image, len(saved.image)):
        say(outside, err=True)
    say(f"{output}: {found.plan.schema.name} on the {found.plan.part.name}, {form.title}", err=True)
    say_caution()
    return 0 if saved.complete else 1
