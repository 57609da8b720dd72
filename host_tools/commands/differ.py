"""`paramstore differ`: what differs between two dumps, or a dump and values."""

from __future__ import annotations

import json
from pathlib import PurePath

import click

from host_tools.dumps import DumpOptions, dump_options, examined_either, known
from host_tools.streams import read_source
from host_tools.terminal import tint


@click.command()
@click.argument("schema")
@click.argument("dump")
@click.argument("other")
@dump_options
@click.option("--bytes", "with_bytes", is_flag=True, help="Tell every byte that differs, too.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
@click.pass_context
def command(ctx: click.Context, schema: str, dump: str, other: str, form_name: str | None,
            words: str | None, offset: int | None, with_bytes: bool, as_json: bool) -> None:
    """Example: paramstore differ schemas/tank_probe.toml before.bin after.hex --bytes

    Say what changed from DUMP to OTHER: which parameters, from what to what. OTHER is a dump, or a
    values file (.toml) such as a unit was packed from, of which only what it names is compared.
    SCHEMA may be that of a fixed layout. Exit code 1: something differs.
    """
    from paramstore.decode.either import differences
    from paramstore.errors import ToolError
    from paramstore.report.findings import SCHEMA_VERSION
    from paramstore.report.places import difference_data, difference_text

    schemas = known(schema)
    options = DumpOptions(form_name, words, offset)
    found = examined_either(schemas, dump, options)
    is_values = PurePath(other).suffix.lower() == ".toml"
    if is_values and with_bytes:
        raise ToolError("a values file has no bytes to compare", "give a dump, or no --bytes")
    against = read_source(other) if is_values else examined_either(schemas, other, options)
    values, ranges = differences(found, against, with_bytes=with_bytes)
    if as_json:
        data = {"schema_version": SCHEMA_VERSION} | difference_data(values, ranges)
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
    else:
        click.echo(difference_text(values, ranges, tint), nl=False)
    ctx.exit(1 if values or ranges else 0)
