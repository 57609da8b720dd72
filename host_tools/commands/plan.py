"""`paramstore plan`: where everything lies, how long it lasts, what it costs."""

from __future__ import annotations

import json
import os

import click

from host_tools.streams import page_option, read_source, write_bytes
from host_tools.terminal import release_option, show_findings

COLOURS = ("cyan", "green", "yellow", "magenta", "blue", "red")


def paint(text: str, ring: int) -> str:
    """Colour the pages of one group so that neighbours differ."""
    if os.environ.get("NO_COLOR"):
        return text
    return click.style(text, fg=COLOURS[ring % len(COLOURS)])


@click.command()
@click.argument("schema")
@click.option("--map/--no-map", "page_map", default=True, help="Draw the page map (default: yes).")
@click.option("--fields", is_flag=True, help="List every field with its address.")
@release_option
@page_option
@click.option("--json", "as_json", is_flag=True, help="Write JSON, with every field.")
def command(schema: str, page_map: bool, fields: bool, release: int | None,
            page: str | None, as_json: bool) -> None:
    """Example: paramstore plan schemas/tank_probe.toml

    Lay the store of SCHEMA (`-`: standard input) out over the pages of its EEPROM: a map of the
    pages, the place, life and times of each group, and what the store needs. Advice goes to
    stderr. Exit code 1: SCHEMA has mistakes, or does not fit; then it says what would make it fit.
    """
    from paramstore.evolve.project import open_project
    from paramstore.report.findings import findings_data
    from paramstore.report.plan import plan_text
    from paramstore.report.plan_data import plan_data

    project = open_project(read_source(schema))
    plan = project.release(release)
    findings = (*project.findings, *plan.findings)
    if page is not None:
        from paramstore.report.pages.plan import plan_page

        write_bytes(page, plan_page(plan).encode(), inputs=(schema,), option="--html")
        if page == "-":
            return
    if as_json:
        data = findings_data(findings) | plan_data(plan)
        click.echo(json.dumps(data, indent=2, ensure_ascii=False))
        return
    click.echo(plan_text(plan, page_map=page_map, fields=fields, paint=paint), nl=False)
    show_findings(findings)
