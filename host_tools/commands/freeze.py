"""`paramstore freeze`: make the schema as it stands a release."""

from __future__ import annotations

import click

from host_tools.options import json_option
from host_tools.terminal import answer, tint_verdict


@click.command()
@click.argument("schema")
@click.option("--note", default="", metavar="TEXT", help="What the release is; kept in its file.")
@json_option
def command(schema: str, note: str) -> int:
    """Example: paramstore freeze schemas/dimmer.toml --note "First units"

    Make SCHEMA a release: write where everything lies into the next file of SCHEMA's folder of
    releases, beside it. Do this when units with this layout leave the house, and keep the folder
    under version control. From then on no edit of the schema can move what a unit has; `paramstore
    check` says what each edit means. What a group can take in later is fixed then, too, and told
    if the schema does not say it. Exit code 1: SCHEMA has mistakes, or nothing changed since
    the last release; nothing was written.
    """
    from paramstore.core.disk import read_text
    from paramstore.firmware.view import view_of
    from paramstore.releases.project import fixed_rooms, freeze, open_project
    from paramstore.report.changes import changes_data, changes_text

    source = read_text(schema)
    project = open_project(source)
    view_of(project.plan)  # names that meet in C show up only there
    path, plan = freeze(source, project, note)
    findings = (*project.findings, *project.plan.findings, *fixed_rooms(project, path))
    answer(findings, lambda: {
        "store": plan.schema.name, "release": plan.release, "layout_id": plan.layout_id,
        "output": str(path), "changes": changes_data(project.changes),
    }, lambda: changes_text(project.changes, project.history, tint_verdict)
        + f"{path}: {plan.schema.name}, release {plan.release}, layout 0x{plan.layout_id:08X}\n")
    return 0
