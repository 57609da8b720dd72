"""`paramstore transcribe`: a dump in another form."""

from __future__ import annotations

import click

from host_tools.dumps import (
    DumpOptions,
    address,
    dump_options,
    examined_store,
    show_doubts,
    stores,
)
from host_tools.images import family_option, name_option, outside_text
from host_tools.streams import write_bytes
from host_tools.terminal import say


@click.command()
@click.argument("schema")
@click.argument("dump")
@click.option("-o", "--output", required=True, metavar="FILE",
              help="The dump anew; its suffix tells its form. `-`: stdout, hex dump text.")
@dump_options
@click.option("--base", type=address, default="0", metavar="ADDRESS",
              help="Where the first byte of the part shall lie in the new file.")
@family_option
@name_option
@click.option("--fill", type=address, metavar="BYTE",
              help="What stands for bytes that were not read, where a form cannot leave them out.")
def command(schema: str, dump: str, output: str, options: DumpOptions, base: int,
            family: int | None, name: str, fill: int | None) -> None:
    """Example: paramstore transcribe schemas console.log -o unit.hex

    Write a dump as it was understood in another form: moved to its place, the noise around it left
    out. Intel HEX, S-record and text leave out what was not read; the other forms cannot, and need
    --fill for it. SCHEMA may be a folder. Exit code 1: nothing tells what DUMP is, or of which
    schema; what is wrong in it is not judged here.
    """
    from paramstore.core.errors import ToolError
    from paramstore.files.forms import FORMS, WriteOptions, encode_dump, form_of

    if fill is not None and not 0 <= fill <= 0xFF:
        raise ToolError(f"--fill {fill} is no byte", "give 0 to 0xFF")
    form = FORMS["text"] if output == "-" else form_of(output, choice=False)
    found = examined_store(stores(schema, options), options, dump)
    content = encode_dump(found.dump, form, WriteOptions(base, family=family, name=name), fill)
    write_bytes(output, content, inputs=(schema, dump))
    show_doubts(found)
    fill_byte = 0xFF if fill is None else fill
    if outside := outside_text(form, base, len(found.dump.data), fill_byte):
        say(outside, err=True)
    say(f"{output}: {found.reading.title}, as {form.title}", err=True)
