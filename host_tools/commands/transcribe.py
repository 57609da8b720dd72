"""`paramstore transcribe`: a dump in another form."""

from __future__ import annotations

from typing import TYPE_CHECKING

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

if TYPE_CHECKING:
    from paramstore.inspect.store import StoreExamination


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
@click.pass_context
def command(ctx: click.Context, schema: str, dump: str, output: str, options: DumpOptions,
            base: int, family: int | None, name: str, fill: int | None) -> None:
    """Example: paramstore transcribe schemas console.log -o unit.hex

    Write a dump as it was understood in another form: moved to its place, the noise around it left
    out. Intel HEX, S-record and text leave out what was not read; the other forms cannot, and need
    --fill for it. SCHEMA may be a folder. Exit code 1: nothing tells what DUMP is, or of which
    schema; or lines were not understood, and bytes may be missing or wrong for it. What is wrong on
    the part is not judged here.
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
    ctx.exit(1 if _doubtful(found) else 0)


def _doubtful(found: StoreExamination) -> bool:
    """Return whether the dump may not be what the file was meant to hold: lines contradict
    themselves, or some were passed over and bytes are missing, or it lies wrongly on the part."""
    from paramstore.core.errors import Severity

    short = found.dump.gaps or len(found.dump.data) < found.size
    of_file = (f.code != "PS633" or short for f in found.reading.findings)
    return any(of_file) or any(
        f.code.startswith("PS65") and f.severity is Severity.ERROR for f in found.findings)
