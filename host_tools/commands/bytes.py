"""`paramstore bytes`: a hex dump in which every byte says what it is."""

from __future__ import annotations

import click

from host_tools.dumps import DumpOptions, address, dump_options, examined, known, show_doubts
from host_tools.terminal import say_text, tint


@click.command()
@click.argument("schema")
@click.argument("dump")
@click.option("--from", "first", type=address, default="0", metavar="ADDRESS",
              help="First address that is shown.")
@click.option("--to", "last", type=address, metavar="ADDRESS", help="Last one that is shown.")
@dump_options
def command(schema: str, dump: str, first: int, last: int | None,
            options: DumpOptions) -> None:
    """Example: paramstore bytes schemas/tank_probe.toml unit.hex --from 0x1C0 --to 0x21F

    Show a dump byte by byte, one line for each thing in it, with what it is and its value. Of a
    slot whose write was interrupted each line says where its bytes come from, with a `?` where that
    is inferred. On a terminal headers and CRCs are blue, values that the newest record has no more
    cyan, damage is red; in an interrupted write old bytes are blue, new ones green, erased yellow.
    SCHEMA may be that of a fixed layout. What is wrong with the dump is for `examine` to judge;
    exit code 1: DUMP or SCHEMA cannot be read, or nothing tells which schema DUMP is of.
    """
    from paramstore.core.errors import ToolError
    from paramstore.report.examination import annotated_bytes

    (found,) = examined(known(schema, options), options, dump)
    show_doubts(found)
    size = len(found.dump.data)
    if not 0 <= first < size:
        raise ToolError(f"the dump has no address 0x{first:X}", f"it ends at 0x{size - 1:X}")
    if last is not None and last < first:
        raise ToolError(f"--to 0x{last:X} lies before --from 0x{first:X}",
                        "give the lower address with --from")
    end = None if last is None else last + 1
    say_text(annotated_bytes(found, first, end, tint))
