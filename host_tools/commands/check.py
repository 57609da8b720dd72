"""`paramstore check`: find the mistakes in a schema."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import click

from host_tools.streams import STDIN, read_source
from host_tools.terminal import say, say_json, say_text, tint, tint_verdict

if TYPE_CHECKING:
    from paramstore.core.errors import SourceText
    from paramstore.releases.project import Review


@click.command()
@click.argument("schema", required=False)
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
@click.option("--all", "show_all", is_flag=True, help="Show every finding of a kind in full.")
@click.option("--explain", metavar="CODE", help="Say more about a kind of finding, such as PS204.")
@click.pass_context
def command(
    ctx: click.Context, schema: str | None, as_json: bool, show_all: bool, explain: str | None
) -> None:
    """Example: paramstore check schemas/tank_probe.toml

    Find all mistakes in SCHEMA (`-`: standard input) and in the layout that it leads to, and say
    how to mend them; SCHEMA may be that of a fixed layout. If the store was released (see
    `paramstore freeze`), say for every change since what it means for units in the field. Exit code
    1: there are errors; warnings alone leave it at 0.
    """
    if explain is not None:
        say_text(_explanation(explain) + "\n")
        return
    if schema is None:
        raise click.UsageError("give a SCHEMA, or a code with --explain")
    from paramstore.core.errors import errors_in
    from paramstore.report.changes import changes_data, changes_text
    from paramstore.report.findings import (
        MOST_OF_A_KIND,
        count_line,
        findings_data,
        findings_text,
    )
    from paramstore.schema.fixed.kind import is_fixed

    source = read_source(schema)
    if is_fixed(source):
        ctx.exit(_check_layout(source, as_json, show_all))
    found = _review(source)
    if as_json:
        data = findings_data(found.findings) | {"changes": changes_data(found.changes)}
        say_json(data)
    else:
        most = None if show_all else MOST_OF_A_KIND
        text = findings_text(found.findings, style=tint, most=most)
        if found.changes:
            text += changes_text(found.changes, found.history, tint_verdict)
        say_text(text)
        say(f"{_summary(found, schema)}: {count_line(found.findings)}")
    ctx.exit(1 if errors_in(found.findings) else 0)


def _check_layout(source: SourceText, as_json: bool, show_all: bool) -> int:
    """Check the schema of a fixed layout; return the exit code."""
    from paramstore.core.errors import FindingsError, errors_in
    from paramstore.report.findings import (
        MOST_OF_A_KIND,
        count_line,
        findings_data,
        findings_text,
    )
    from paramstore.report.fixed import summary
    from paramstore.schema.fixed.reader import read_layout

    try:
        layout, findings = read_layout(source)
        what = summary(layout)
    except FindingsError as error:
        findings, what = error.findings, source.path
    if as_json:
        say_json(findings_data(findings))
    else:
        text = findings_text(findings, style=tint, most=None if show_all else MOST_OF_A_KIND)
        say_text(text)
        say(f"{what}: {count_line(findings)}")
    return 1 if errors_in(findings) else 0


def _review(source: SourceText) -> Review:
    """Return all that there is to say; names that meet in C show up only in the firmware."""
    from paramstore.core.errors import FindingsError
    from paramstore.firmware.physical import unconverted
    from paramstore.firmware.view import view_of
    from paramstore.releases.project import review

    found = review(source)
    if found.project:
        try:
            view_of(found.project.plan)
        except FindingsError as error:
            return found._replace(findings=(*found.findings, *error.findings), project=None)
        found = found._replace(findings=(*found.findings, *unconverted(found.project.plan)))
    return found


def _summary(found: Review, path: str) -> str:
    """Return what the schema holds, or only its file if it is not sound."""
    from paramstore.core.words import plural

    if found.project is None:
        return STDIN if path == "-" else path
    schema = found.project.plan.schema
    parameters = sum(len(g.parameters) for g in schema.groups)
    return f"{schema.name}: {plural(len(schema.groups), 'group')}, " + (
        f"{plural(parameters, 'parameter')} on {schema.part.name}")


def _explanation(name: str) -> str:
    from paramstore.core.codes import explain_code

    code = explain_code(name)
    head = f"{name.strip().upper()}: {code.title}"
    paragraphs = [
        block if block.startswith("    ") else textwrap.fill(block, 80)
        for block in code.explain.split("\n\n")
    ]
    return "\n\n".join([head, *paragraphs])
