"""`paramstore units`: what is on record of the units that were made."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from host_tools.streams import put_bytes, refuse_input, write_bytes
from host_tools.terminal import say_json, say_text

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


@click.command()
@click.argument("records")
@click.argument("text", default="")
@click.option("--batch", metavar="NAME", help="Units of one batch only, as it made them.")
@click.option("--csv", "csv_path", metavar="FILE", help="Write a table of all values; `-`: stdout.")
@click.option("--html", "html_path", metavar="FILE",
              help="Write the calibration record of one unit, to print.")
@click.option("--labels", "labels_path", metavar="FILE", help="Write a text for each label.")
@click.option("--label", default="{serial}", show_default=True, metavar="TEXT",
              help="What a label says: {serial}, {store}, {batch}, {sha256}, {GROUP.PARAMETER}.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON, with all values.")
def command(records: str, text: str, batch: str | None, csv_path: str | None,
            html_path: str | None, labels_path: str | None, label: str, as_json: bool) -> None:
    """Example: paramstore units schemas/tank_probe.units.db TP-26-0003 --html record.html

    List the units in RECORDS, which `paramstore batch` keeps: those that have TEXT in their serial
    number, their own values or the digest of their image. The table that --csv writes is one that
    `batch` reads. The calibration record is no accredited certificate, and says so.
    """
    from paramstore.production.export import Exporter, label_text, units_csv
    from paramstore.production.records import Records
    from paramstore.report.findings import findings_data
    from paramstore.report.units import record_html, units_data, units_text

    with Records(records) as kept:
        if batch is not None:
            check_batch(kept, batch)
        exporter = Exporter(kept)
        if html_path is not None:
            page = record_html(only_one(kept, exporter, text, batch))
            write_bytes(html_path, page.encode("utf-8"), (records,), "--html")
        if csv_path is not None:
            export(units_csv(exporter.values(u) for u in kept.units(text, batch)), csv_path,
                   records, "--csv")
        if labels_path is not None:
            export((label_text(exporter.values(u), label) + "\n"
                    for u in kept.units(text, batch)), labels_path, records, "--labels")
        if as_json:
            units = [exporter.values(u) for u in kept.units(text, batch)]
            say_json(findings_data(()) | {"units": units_data(units)})
        elif html_path is csv_path is labels_path is None:
            say_text(units_text(list(kept.units(text, batch))))
