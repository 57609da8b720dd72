"""`paramstore salvage`: a clean image from a damaged dump."""

from __future__ import annotations

import click

from host_tools.dumps import DumpOptions, dump_options, examined_store, show_doubts, stores
from host_tools.streams import write_bytes
from host_tools.terminal import say, say_json, say_text, tint


@click.command()
@click.argument("schema")
@click.argument("dump")
@click.option("-o", "--output", required=True, metavar="FILE",
              help="The image; its suffix tells its form. `-`: stdout, raw binary.")
@click.option("--repair", is_flag=True,
              help="Take newer records that one or two changed bits make whole.")
@dump_options
@click.option("--json", "as_json", is_flag=True, help="Tell what came from where as JSON.")
@click.pass_context
def command(ctx: click.Context, schema: str, dump: str, output: str, repair: bool,
            options: DumpOptions, as_json: bool) -> None:
    """Example: paramstore salvage schemas/tank_probe.toml broken.bin -o clean.bin

    Write the image of a whole part with the newest whole record of each group, as a freshly packed
    one has it, and list what came from where. What is lost has its defaults. Check the values
    before the image goes into a unit. Exit code 1: something is lost, so defaults or an older
    record stand in for it.
    """
    from paramstore.core.errors import ToolError
    from paramstore.files.forms import FORMS, encode_image, form_of
    from paramstore.inspect.salvage import salvage
    from paramstore.report.findings import findings_data
    from paramstore.report.salvage import salvage_data, salvage_text
    from paramstore.report.wording import CAUTION

    form = FORMS["bin"] if output == "-" else form_of(output, choice=False)
    found = examined_store(stores(schema, options), options, dump)
    if not found.contents.readable or found.contents.blank:
        raise ToolError(f"`{dump}` holds nothing of `{found.plan.schema.name}` to salvage",
                        "`paramstore examine` says what it holds")
    show_doubts(found)
    saved = salvage(found, repair=repair)
    write_bytes(output, encode_image(saved.image, form), inputs=(schema, dump))
    talk = output == "-"  # stdout is the image then
    if as_json:
        data = findings_data(found.findings) | {"output": output} | salvage_data(saved)
        say_json(data, err=talk)
    else:
        say_text(salvage_text(saved, tint), err=talk)
    say(f"{output}: {found.plan.schema.name} on the {found.plan.part.name}, {form.title}",
               err=True)
    say_text(CAUTION + "\n", err=True)
    ctx.exit(0 if saved.complete else 1)
