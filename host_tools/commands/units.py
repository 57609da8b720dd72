"""`paramstore units`: what is on record of the units that were made."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.options import batch_option, file_option, gathered, json_option, records_option
from host_tools.streams import put_bytes, refuse_input, write_bytes
from host_tools.terminal import answer, asks_json

if TYPE_CHECKING:
    from paramstore.production.export import Exporter, UnitValues
    from paramstore.production.records import Records


def export(lines: Iterable[str], path: str, records: str, option: str) -> None:
    """Write a file as its lines come; `-` is stdout. ToolError if it is that of the records."""
    from paramstore.production.outputs import EndToEnd

    if path == "-":
        put_bytes(line.encode("utf-8") for line in lines)
        return
    refuse_input(path, (records,), option)
    with EndToEnd(path) as out:
        for line in lines:
            out.add("", line.encode("utf-8"))


def only_one(records: Records, exporter: Exporter, text: str, batch: str | None) -> UnitValues:
    """Return the unit that is meant: of that serial number, or the only one that is found."""
    from itertools import islice

    from paramstore.core.errors import ToolError

    unit = records.unit(text, batch)
    found = [unit] if unit else list(islice(records.units(text, batch), 2))
    if len(found) != 1:
        raise ToolError("no unit is found" if not found else "more than one unit is found",
                        "give the serial number of one unit")
    return exporter.values(found[0])


def check_batch(records: Records, name: str) -> None:
    """Refuse the name of a batch that is not on record."""
    from paramstore.core.errors import ToolError
    from paramstore.core.words import did_you_mean

    names = [b.name for b in records.batches()]
    if name not in names:
        raise ToolError(f"there is no batch `{name}` in `{records.path}`",
                        did_you_mean(name, names, "the batches"))


class UnitsOptions(NamedTuple):
    """Which units, and what is written of them."""

    records: str | None
    batch: str | None
    csv: str | None
    unit_record: str | None
    labels: str | None
    label_text: str

    @property
    def writes(self) -> bool:
        """Whether a file is written, which then stands for the list."""
        return not self.csv is self.unit_record is self.labels is None


@click.command()
@click.argument("text", default="")
@gathered(
    "options", UnitsOptions, records_option, batch_option,
    file_option("--csv", help="Write a table of all values."),
    file_option("--unit-record", help="Write the record of one unit, a page to "
                "print."),
    file_option("--labels", help="Write a text for each label."),
    click.option("--label-text", default="{serial}", show_default=True, metavar="TEXT",
                 help="What a label says: {serial}, {store}, {batch}, {sha256}, "
                 "{GROUP.PARAMETER}."))
@json_option
def command(text: str, options: UnitsOptions) -> int:
    """Example: paramstore units TP-26-0003 --records units.db --unit-record record.html

    List the units in the records that `paramstore batch` keeps: those that have TEXT in their
    serial number, their own values or the digest of their image; with --batch those of one batch,
    as it made them. The table that --csv writes is one that `batch` reads. The record of a unit
    is no accredited certificate, and says so.
    """
    from paramstore.core.errors import ToolError
    from paramstore.production.export import Exporter, label_text, units_csv
    from paramstore.production.records import Records
    from paramstore.report.units import record_html, units_data, units_text

    records, batch = options.records, options.batch
    if records is None:
        raise ToolError("there are no records to look into",
                        "give them with --records; `paramstore batch` keeps them beside the schema")
    with Records(records) as kept:
        if batch is not None:
            check_batch(kept, batch)
        exporter = Exporter(kept)
        if options.unit_record is not None:
            page = record_html(only_one(kept, exporter, text, batch))
            write_bytes(options.unit_record, page.encode("utf-8"), (records,),
                        "--unit-record")
        if options.csv is not None:
            export(units_csv(exporter.values(u) for u in kept.units(text, batch)), options.csv,
                   records, "--csv")
        if options.labels is not None:
            export((label_text(exporter.values(u), options.label_text) + "\n"
                    for u in kept.units(text, batch)), options.labels, records, "--labels")
        if asks_json() or not options.writes:
            answer((), lambda: {"units": units_data([exporter.values(u)
                                                     for u in kept.units(text, batch)])},
                   lambda: units_text(list(kept.units(text, batch))))
    return 0
