"""`paramstore examine`: everything that a dump tells."""

from __future__ import annotations

import click

from host_tools.dumps import examined, report_on_dump, schemas_at
from host_tools.options import (
    InputOptions,
    input_options,
    json_option,
    page_option,
    picture_option,
    release_option,
)
from host_tools.streams import write_bytes
from host_tools.terminal import tint


@click.command()
@click.argument("schema")
@click.argument("dump")
@input_options(release_option)
@page_option
@picture_option
@json_option
def command(schema: str, dump: str, given: InputOptions, page: str | None,
            picture: str | None) -> int:
    """Example: paramstore examine schemas console.log

    Say all that a dump tells: its values, what happened to every slot, what each commit changed,
    how worn the part is, and what is wrong. SCHEMA is a schema, or a folder of them: the label of
    the dump decides which, else its records do; for a fixed layout its constants and checksums.
    DUMP may be of any form, also pasted from a console. What can be read in two ways is refused,
    and both are named. Exit code 1: data is lost or damaged, the dump is of another store or blank,
    or nothing tells what it is. Warnings leave it at 0. A write that was cut is a warning: the
    last commit is whole, and the next one mends the slot.
    """
    from paramstore.inspect.which import files_of
    from paramstore.report.examination import (
        examination_data,
        examination_page,
        examination_svg,
        examination_text,
    )

    schemas = schemas_at(schema, given)
    (found,) = examined(schemas, given, dump)
    if page is not None:
        write_bytes(page, examination_page(found).encode(), (dump, *files_of(schemas.all)),
                    option="--html")
    if picture is not None:
        write_bytes(picture, examination_svg(found).encode(), (dump, *files_of(schemas.all)),
                    option="--svg")
    return report_on_dump(found.findings, lambda: examination_data(found),
                          lambda: examination_text(found, tint))
