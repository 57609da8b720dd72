"""`paramstore differ`: what differs between two dumps, or a dump and values."""

from __future__ import annotations

import json
from pathlib import PurePath
from typing import TYPE_CHECKING

import click

from host_tools.dumps import DumpOptions, candidates, dump_options, examined
from host_tools.streams import read_source
from host_tools.terminal import tint

if TYPE_CHECKING:
    from paramstore.decode.differ import ByteRange


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
    Exit code 1: something differs.
    """
    from paramstore.decode.differ import byte_differences, value_differences
    from paramstore.errors import ToolError
    from paramstore.image.values import read_values
    from paramstore.report.bytes import difference_data, difference_text
    from paramstore.report.findings import SCHEMA_VERSION

    ranges: tuple[ByteRange, ...] = ()
    schemas = candidates(schema)
    options = DumpOptions(form_name, words, offset)
    found = examined(schemas, dump, options)
    plan = found.plan
    if PurePath(other).suffix.lower() == ".toml":
        if with_bytes:
            raise ToolError("a values file has no bytes to compare", "give a dump, or no --bytes")
        given = read_values(plan.schema, read_source(other))
        values = value_differences(plan, found.contents, given.values)
    else:
        second = examined(schemas, other, options)
        if second.plan.layout_id != plan.layout_id:
            raise ToolError("the two dumps have different layouts, so their bytes mean different "
                            "things", "`paramstore migrate` makes one image of the other's release")
        values = value_differences(plan, found.contents, second.contents)
        if with_bytes:
            ranges = byte_differences(plan, found.contents.image, second.contents.image)
    if as_json:
        data = {"schema_version": SCHEMA_VERSION} | difference_data(values, ranges)
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
    else:
        click.echo(difference_text(values, ranges, tint), nl=False)
    ctx.exit(1 if values or ranges else 0)
