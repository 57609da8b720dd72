"""`paramstore locate`: what an address is for, and where a parameter lies."""

from __future__ import annotations

import click

from host_tools.dumps import DumpOptions, dump_options, examined, known, show_doubts
from host_tools.terminal import say_text


@click.command()
@click.argument("schema")
@click.argument("places", nargs=-1, required=True, metavar="PLACE...")
@click.option("--dump", metavar="FILE", help="Show what stands there in a dump, too.")
@dump_options
def command(schema: str, places: tuple[str, ...], dump: str | None,
            options: DumpOptions) -> None:
    """Example: paramstore locate schemas/tank_probe.toml 0x1C7 settings.alarms.probe

    PLACE is an address, with `.n` behind it for one of its bits (0 the lowest), or a parameter as
    GROUP.PARAMETER, with [n] for an element, .x or .y for an axis, and the name of a flag for its
    bit. An address is explained; a parameter is found in every slot, or in every block of a fixed
    layout. With --dump SCHEMA may be a folder of schemas. Exit code 1: SCHEMA or the
    dump cannot be read, or nothing tells which schema the dump is of.
    """
    from paramstore.core.errors import ToolError
    from paramstore.inspect.which import files_of
    from paramstore.report.examination import place_text

    if dump is None and options._replace(release=None) != DumpOptions():
        raise ToolError("--format, --words and --offset are for a dump", "give it with --dump")
    schemas = known(schema, options)
    if dump is None and len(files_of(schemas.known)) > 1:
        raise ToolError(f"`{schema}` holds several schemas", "give one of them, or a dump with "
                        "--dump: it tells which")
    found = examined(schemas, options, dump)[0] if dump else None
    if found is not None:
        show_doubts(found)
    of = found or schemas.known[0]
    say_text("".join([place_text(of, place) for place in places]))
