"""`paramstore examine`: everything that a dump tells."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from host_tools.dumps import DumpOptions, dump_options, examined, known, show_report
from host_tools.streams import page_option, picture_option, write_bytes
from host_tools.terminal import say_json, tint

if TYPE_CHECKING:
    from paramstore.inspect.examination import Examination


@click.command()
@click.argument("schema")
@click.argument("dump")
@dump_options
@page_option
@picture_option
@click.option("--json", "as_json", is_flag=True, help="Write JSON, every slot and commit included.")
@click.pass_context
def command(ctx: click.Context, schema: str, dump: str, options: DumpOptions, page: str | None,
            picture: str | None, as_json: bool) -> None:
    """Example: paramstore examine schemas console.log

    Say all that a dump tells: its values, what happened to every slot, what each commit changed,
    how worn the part is, and what is wrong. SCHEMA is a schema, or a folder of them: the label of
    the dump says which, else its records do; for a fixed layout its constants and checksums speak.
    DUMP may be of any form, also pasted from a console; what is doubtful in it is refused with the
    candidates. Exit code 1: data is lost or damaged, the dump is of another store or blank, or
    nothing tells what it is. Warnings leave it at 0: a write that was cut is one, for the last
    commit is whole, and the next one mends the slot.
    """
    from paramstore.core.errors import errors_in
    from paramstore.inspect.which import files_of
    from paramstore.report.examination import examination_data, examination_page, examination_text
    from paramstore.report.findings import findings_data

    schemas = known(schema, options)
    (found,) = examined(schemas, options, dump)
    if page is not None:
        write_bytes(page, examination_page(found).encode(), (dump, *files_of(schemas.known)),
                    option="--html")
    if picture is not None:
        write_bytes(picture, _picture(found).encode(), (dump, *files_of(schemas.known)),
                    option="--svg")
    if "-" in (page, picture):
        pass
    elif as_json:
        data = findings_data(found.findings) | examination_data(found)
        say_json(data)
    else:
        show_report(examination_text(found, tint), found.findings)
    ctx.exit(1 if errors_in(found.findings) else 0)


def _picture(found: Examination) -> str:
    """Return the page map of a dump; ToolError if it is of a fixed layout, which has no pages."""
    from paramstore.core.errors import ToolError
    from paramstore.inspect.store import StoreExamination
    from paramstore.report.pictures import dump_svg

    if not isinstance(found, StoreExamination):
        raise ToolError("a fixed layout has no page map", "use --html: it has a map of bytes")
    return dump_svg(found)
