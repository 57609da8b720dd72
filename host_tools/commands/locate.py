"""`paramstore locate`: what an address is for, and where a parameter lies."""

from __future__ import annotations

import click

from host_tools.dumps import DumpOptions, candidates, dump_options, examined


@click.command()
@click.argument("schema")
@click.argument("places", nargs=-1, required=True, metavar="PLACE...")
@click.option("--dump", metavar="FILE", help="Show what stands there in a dump, too.")
@dump_options
def command(schema: str, places: tuple[str, ...], dump: str | None, form_name: str | None,
            words: str | None, offset: int | None) -> None:
    """Example: paramstore locate schemas/tank_probe.toml 0x1C7 settings.alarms.probe

    PLACE is an address, with `.n` behind it for one of its bits (0 the lowest), or a parameter as
    GROUP.PARAMETER, with [n] for an element, .x or .y for an axis, and the name of a flag for its
    bit. An address is explained; a parameter is found in every slot. With --dump SCHEMA may be a
    folder of schemas.
    """
    from paramstore.decode.meaning import locate, meaning_of, parse_address
    from paramstore.report.bytes import location_text, meaning_text

    schemas = candidates(schema)
    found = examined(schemas, dump, DumpOptions(form_name, words, offset)) if dump else None
    plan = found.plan if found else schemas[0].plan
    for place in places:
        address = parse_address(place)
        if address is not None:
            click.echo(meaning_text(meaning_of(plan, address[0]), address[1], found), nl=False)
        else:
            ring, locations = locate(plan, place)
            click.echo(location_text(place, ring, locations, found), nl=False)
