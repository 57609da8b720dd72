"""`paramstore plan`: where everything lies, how long it lasts, what it costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from host_tools.streams import page_option, picture_option, read_source, write_bytes
from host_tools.terminal import release_option, say_json, say_text, show_findings, tint

if TYPE_CHECKING:
    from paramstore.core.errors import SourceText

COLOURS = ("cyan", "green", "yellow", "magenta", "blue", "red")


def paint(text: str, ring: int) -> str:
    """Colour the pages of one group so that neighbours differ."""
    return tint(text, COLOURS[ring % len(COLOURS)])


@click.command()
@click.argument("schema")
@click.option("--map/--no-map", "page_map", default=True, help="Draw the page map (default: yes).")
@click.option("--fields", is_flag=True, help="List every field with its address.")
@release_option
@page_option
@picture_option
@click.option("--json", "as_json", is_flag=True, help="Write JSON, with every field.")
def command(schema: str, page_map: bool, fields: bool, release: int | None,
            page: str | None, picture: str | None, as_json: bool) -> None:
    """Example: paramstore plan schemas/tank_probe.toml

    Lay the store of SCHEMA (`-`: standard input) out over the pages of its EEPROM: a map of the
    pages, the place, life and times of each group, and what the store needs. Advice goes to
    stderr. Of a fixed layout it lists the place of every parameter and checksum. Exit code 1:
    SCHEMA has mistakes, or does not fit; then it says what would make it fit.
    """
    from paramstore.releases.project import open_project
    from paramstore.report.findings import findings_data
    from paramstore.report.plan import plan_text
    from paramstore.report.plan_data import plan_data
    from paramstore.schema.fixed.kind import is_fixed

    source = read_source(schema)
    if is_fixed(source):
        if picture is not None:
            from paramstore.core.errors import ToolError

            raise ToolError("a fixed layout has no page map", "use --html: it has a map of bytes")
        _show_layout(schema, source, release, page, as_json)
        return
    project = open_project(source)
    plan = project.release(release)
    findings = (*project.findings, *plan.findings)
    if page is not None:
        from paramstore.report.pages.plan import plan_page

        write_bytes(page, plan_page(plan).encode(), inputs=(schema,), option="--html")
        if page == "-":
            return
    if picture is not None:
        from paramstore.report.pictures import plan_svg

        write_bytes(picture, plan_svg(plan).encode(), inputs=(schema,), option="--svg")
        if picture == "-":
            return
    if as_json:
        data = findings_data(findings) | plan_data(plan)
        say_json(data)
        return
    say_text(plan_text(plan, page_map=page_map, fields=fields, style=paint))
    show_findings(findings)


def _show_layout(schema: str, source: SourceText, release: int | None, page: str | None,
                 as_json: bool) -> None:
    from paramstore.core.errors import ToolError
    from paramstore.report.findings import findings_data
    from paramstore.report.fixed import fixed_plan_data, fixed_plan_text
    from paramstore.schema.fixed.reader import read_layout

    if release is not None:
        raise ToolError("a fixed layout has no releases", "leave --release out")
    layout, findings = read_layout(source)
    if page is not None:
        from paramstore.report.pages.fixed import layout_page

        write_bytes(page, layout_page(layout).encode(), inputs=(schema,), option="--html")
        if page == "-":
            return
    if as_json:
        data = findings_data(findings) | fixed_plan_data(layout)
        say_json(data)
        return
    say_text(fixed_plan_text(layout))
    show_findings(findings)
