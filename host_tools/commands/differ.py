"""`paramstore differ`: what differs between two dumps, or a dump and values."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.dumps import examined, schemas_at, show_doubts, show_dumps
from host_tools.options import (
    InputOptions,
    gathered,
    input_options,
    json_option,
    records_option,
    release_option,
    serial_option,
    values_option,
)
from host_tools.streams import read_source
from host_tools.terminal import say, tint

if TYPE_CHECKING:
    from paramstore.inspect.differ import ByteRange, Difference
    from paramstore.inspect.examination import Examination


def from_record(found: Examination, records: str, serial: str | None) -> tuple[Difference, ...]:
    """Return what a unit holds against what it was made with. ToolError if it is not on record."""
    from paramstore.core.errors import ToolError
    from paramstore.inspect.differ import given_values, value_differences
    from paramstore.inspect.store import StoreExamination
    from paramstore.production.export import Exporter
    from paramstore.production.found import made_with
    from paramstore.production.held import holder_of
    from paramstore.production.records import Records

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
        made = made_with(item, found.plan)
    return value_differences(found.groups, given_values(found.groups, made, item.without),
                             found.values())


class OtherOptions(NamedTuple):
    """What a dump is compared with, if not with another dump."""

    values: str | None
    records: str | None
    serial: str | None
    with_bytes: bool


def check(other: str | None, against: OtherOptions) -> None:
    """Refuse options that do not go together (ToolError)."""
    from paramstore.core.errors import ToolError

    if sum(o is not None for o in (other, against.values, against.records)) != 1:
        raise ToolError("a dump is compared with one thing",
                        "give another dump, --values FILE or --records FILE")
    if against.serial is not None and against.records is None:
        raise ToolError("--serial is for records of a production", "give --records, or no --serial")
    if against.with_bytes and other is None:
        raise ToolError("values have no bytes to compare", "give a dump, or no --bytes")


@click.command()
@click.argument("schema")
@click.argument("dump")
@click.argument("other", required=False)
@input_options(release_option)
@gathered(
    "against", OtherOptions, values_option, records_option, serial_option,
    click.option("--bytes", "with_bytes", is_flag=True, help="Tell every byte that differs, too."))
@json_option
def command(schema: str, dump: str, other: str | None, given: InputOptions,
            against: OtherOptions) -> int:
    """Example: paramstore differ schemas/tank_probe.toml before.bin after.hex --bytes

    Say what changed from DUMP to OTHER, another dump: which parameters, from what to what. Or to
    --values, of which only what it names is compared. Or, with --records, from what a unit was made
    with to DUMP; the unit is the one whose serial number the dump holds, or --serial. SCHEMA may be
    that of a fixed layout. Exit code 1: values differ, or bytes with --bytes; in a fixed layout any
    bytes, checksums among them.
    """
    from paramstore.core.errors import ToolError
    from paramstore.inspect.differ import differences
    from paramstore.inspect.store import StoreExamination
    from paramstore.report.differences import difference_data, difference_text, equal_text

    check(other, against)
    found, *others = examined(schemas_at(schema, given), given, dump, *((other,) if other else ()))
    for each in (found, *others):
        if not each.comparable:
            show_doubts(each)
            raise ToolError(f"`{each.reading.source.path}` holds nothing of "
                            f"`{each.schema.name}` to compare",
                            "`paramstore examine` says what it holds")
    ranges: tuple[ByteRange, ...] = ()
    if against.records is not None:
        values = from_record(found, against.records, against.serial)
    else:
        values, ranges = differences(
            found, others[0] if others else read_source(against.values or ""))
    shown = ranges if against.with_bytes else ()
    show_dumps((found, *others), lambda: {"bytes_differ": bool(ranges)} | difference_data(
        values, shown), lambda: difference_text(values, shown, tint) if values or shown
        else equal_text(ranges))
    # Bytes of a store differ without a value that does: numbers and places of older records.
    return 1 if values or shown or (ranges and not isinstance(found, StoreExamination)) else 0
