"""`paramstore plan`: where everything lies, how long it lasts, what it costs."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import click

from host_tools.options import gathered, json_option, page_option, picture_option, release_option
from host_tools.streams import read_source, write_bytes
from host_tools.terminal import answer, show_findings, tint

if TYPE_CHECKING:
    from paramstore.core.errors import SourceText

COLOURS = ("cyan", "green", "yellow", "magenta", "blue", "red")


def paint(text: str, ring: int) -> str:
    """Colour the pages of one group so that neighbours differ."""
    return tint(text, COLOURS[ring % len(COLOURS)])


class PlanOptions(NamedTuple):
    """What is shown of a plan."""

    page_map: bool
    fields: bool
    release: int | None
    page: str | None
    picture: str | None


@click.command()
@click.argument("schema")
@gathered(
    "options", PlanOptions,
    click.option("--map/--no-map", "page_map", default=True,
                 help="Draw the page map (default: yes)."),
    click.option("--fields", is_flag=True, help="List every field with its address."),
    release_option, page_option, picture_option)
@json_option
def command(schema: str, options: PlanOptions) -> int:
    """Example: paramstore plan schemas/tank_probe.toml

    Lay the store of SCHEMA (`-`: standard input) out over the pages of its EEPROM: a map of the
    pages, the place, life and times of each group, and what the store needs. Advice stands
    below. Of a fixed layout it lists the place of every parameter and checksum. Exit code 1:
    SCHEMA has mistakes, or does not fit; then it says what would make it fit.
    """
    from paramstore.releases.project import open_project
    from paramstore.report.plan import plan_text
    from paramstore.report.plan_data import plan_data
    from paramstore.schema.keys import is_fixed

    source = read_source(schema)
    if is_fixed(source):
        return _show_layout(schema, source, options)
    project = open_project(source)
    plan = project.release(options.release)
    findings = (*project.findings, *plan.findings)
    if options.page is not None:
        from paramstore.report.pages.plan import plan_page

        write_bytes(options.page, plan_page(plan).encode(), inputs=(schema,), option="--html")
    if options.picture is not None:
        from paramstore.report.pictures import plan_svg

        write_bytes(options.picture, plan_svg(plan).encode(), inputs=(schema,), option="--svg")
    return answer(findings, lambda: plan_data(plan), lambda: plan_text(
        plan, page_map=options.page_map, fields=options.fields, style=paint),
        tell=lambda: show_findings(findings))


def _show_layout(schema: str, source: SourceText, options: PlanOptions) -> int:
    from paramstore.core.errors import ToolError
    from paramstore.report.fixed import fixed_plan_data, fixed_plan_text
    from paramstore.schema.fixed.reader import read_layout

    if options.release is not None:
        raise ToolError("a fixed layout has no releases", "leave --release out")
    if options.picture is not None:
        raise ToolError("a fixed layout has no page map", "use --html: it has a map of bytes")
    layout, findings = read_layout(source)
    if options.page is not None:
        from paramstore.report.pages.fixed import layout_page

        write_bytes(options.page, layout_page(layout).encode(), inputs=(schema,), option="--html")
    return answer(findings, lambda: fixed_plan_data(layout), lambda: fixed_plan_text(layout),
                  tell=lambda: show_findings(findings))
