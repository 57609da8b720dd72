"""`paramstore differ`: what differs between two dumps, or a dump and values."""

from __future__ import annotations

from pathlib import PurePath
from typing import TYPE_CHECKING

import click

from host_tools.dumps import DumpOptions, dump_options, examined, known, show_doubts
from host_tools.streams import read_source
from host_tools.terminal import say, say_json, say_text, tint

if TYPE_CHECKING:
    from paramstore.inspect.differ import ByteRange, Difference
    from paramstore.inspect.examination import Examination


def from_record(found: Examination, records: str, serial: str | None) -> tuple[Difference, ...]:
    """Return what a unit holds against what it was made with. ToolError if it is not on record."""
    from paramstore.core.errors import ToolError
    from paramstore.inspect.differ import given_values, value_differences
    from paramstore.inspect.store import StoreExamination
    from paramstore.production.export import Exporter, raws_on_record
    from paramstore.production.records import Records
    from paramstore.production.whose import holder_of

    if not isinstance(found, StoreExamination):
        raise ToolError("a fixed layout has no production records", "give a dump or a values file")
    with Records(records) as kept:
        if serial is None:
            holder = holder_of(found.contents, kept)
            if holder is None:
                raise ToolError(f"`{found.reading.source.path}` holds no serial number",
                                "say with --serial which unit it was")
            serial, unit = holder
        else:
            unit = kept.unit(serial)
        if unit is None:
            raise ToolError(f"no unit `{serial}` is on record in `{records}`",
                            "say with --serial which one it was")
        say(f"{records}: unit {serial}, allotted {unit.allotted}", err=True)
        item = Exporter(kept).values(unit)
        made = raws_on_record(item, found.plan.schema)
    return value_differences(found.groups, given_values(found.groups, made, item.without),
                             found.values())


@click.command()
@click.argument("schema")
@click.argument("dump")
@click.argument("other")
@dump_options
@click.option("--serial", metavar="SERIAL",
              help="Of the unit on record (default: the one that the dump holds).")
@click.option("--bytes", "with_bytes", is_flag=True, help="Tell every byte that differs, too.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
@click.pass_context
def command(ctx: click.Context, schema: str, dump: str, other: str, options: DumpOptions,
            serial: str | None, with_bytes: bool, as_json: bool) -> None:
    """Example: paramstore differ schemas/tank_probe.toml before.bin after.hex --bytes

    Say what changed from DUMP to OTHER: which parameters, from what to what. OTHER is a dump; a
    values file (.toml) such as a unit was packed from, of which only what it names is compared; or
    the records of a production (.db), of which the unit is the one whose serial number the dump
    holds, and then from what it was made with to DUMP. SCHEMA may be that of a fixed layout. Exit
    code 1: values differ, or bytes with --bytes; in a fixed layout any bytes, checksums among them.
    """
    from paramstore.core.errors import ToolError
    from paramstore.inspect.differ import differences
    from paramstore.inspect.store import StoreExamination
    from paramstore.report.findings import findings_data
    from paramstore.report.places import difference_data, difference_text, equal_text

    suffix = PurePath(other).suffix.lower()
    if serial is not None and suffix != ".db":
        raise ToolError("--serial is for records of a production", "give them, or no --serial")
    if with_bytes and suffix in (".toml", ".db"):
        raise ToolError("values have no bytes to compare", "give a dump, or no --bytes")
    dumps = (dump,) if suffix in (".toml", ".db") else (dump, other)
    found, *others = examined(known(schema, options), options, *dumps)
    for each in (found, *others):
        show_doubts(each)
        if not each.comparable:
            raise ToolError(f"`{each.reading.source.path}` holds nothing of "
                            f"`{each.schema.name}` to compare",
                            "`paramstore examine` says what it holds")
    ranges: tuple[ByteRange, ...] = ()
    if suffix == ".db":
        values = from_record(found, other, serial)
    else:
        values, ranges = differences(found, others[0] if others else read_source(other))
    shown = ranges if with_bytes else ()
    if as_json:
        data = findings_data(f for each in (found, *others) for f in each.findings)
        say_json(data | {"bytes_differ": bool(ranges)} | difference_data(values, shown))
    elif values or shown:
        say_text(difference_text(values, shown, tint))
    else:
        say_text(equal_text(ranges))
    # Bytes of a store differ without a value that does: numbers and places of older records.
    ctx.exit(1 if values or shown or (ranges and not isinstance(found, StoreExamination)) else 0)
