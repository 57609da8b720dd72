"""`paramstore transcribe`: a dump in another form."""

from __future__ import annotations

import click

from host_tools.dumps import DumpOptions, candidates, dump_options, examined, show_doubts
from host_tools.streams import write_bytes


@click.command()
@click.argument("schema")
@click.argument("dump")
@click.option("-o", "--output", required=True, metavar="FILE",
              help="The dump anew; its suffix tells its form. `-`: stdout, hex dump text.")
@dump_options
def command(schema: str, dump: str, output: str, form_name: str | None, words: str | None,
            offset: int | None) -> None:
    """Example: paramstore transcribe schemas console.log -o unit.bin

    Write a dump as it was understood in another form: moved to its place, the noise around it left
    out. What was not read is FF. SCHEMA may be a folder.
    """
    from paramstore.image.files import FORMS, encode_image, form_of

    form = FORMS["text"] if output == "-" else form_of(output)
    found = examined(candidates(schema), dump, DumpOptions(form_name, words, offset))
    write_bytes(output, encode_image(found.contents.image, form), inputs=(schema, dump))
    show_doubts(found)
    click.echo(f"{output}: {found.reading.title}, as {form.title}", err=True)
