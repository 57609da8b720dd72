"""`paramstore check`: find the mistakes in a schema."""

from __future__ import annotations

import json
import textwrap
from typing import TYPE_CHECKING

import click

from host_tools.terminal import read_source, tint

if TYPE_CHECKING:
    from paramstore.errors import Finding


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
    how to mend them. Exit code 1: there are errors; warnings alone leave it at 0.
    """
    if explain is not None:
        click.echo(_explanation(explain))
        return
    if schema is None:
        raise click.UsageError("give a SCHEMA, or a code with --explain")
    from paramstore.errors import errors_in
    from paramstore.report.findings import (
        MOST_OF_A_KIND,
        count_line,
        findings_data,
        findings_text,
    )

    findings, summary = _check(schema)
    if as_json:
        click.echo(json.dumps(findings_data(findings), indent=2, ensure_ascii=False))
    else:
        text = findings_text(findings, tint=tint, most=None if show_all else MOST_OF_A_KIND)
        click.echo(f"{text}{summary}: {count_line(findings)}")
    ctx.exit(1 if errors_in(findings) else 0)


def _check(path: str) -> tuple[tuple[Finding, ...], str]:
    """Return all findings, and what the schema holds, or only its file if it is not sound."""
    from paramstore.errors import FindingsError
    from paramstore.firmware.view import view_of
    from paramstore.layout.place import make_plan
    from paramstore.schema.reader import read_schema
    from paramstore.schema.words import plural

    source = read_source(path)
    warnings: tuple[Finding, ...] = ()
    try:
        schema, warnings = read_schema(source)
        plan = make_plan(schema)
        view_of(plan)  # names that meet in C show up only here
    except FindingsError as error:
        return (*warnings, *error.findings), source.path
    parameters = sum(len(g.parameters) for g in schema.groups)
    summary = f"{schema.name}: {plural(len(schema.groups), 'group')}, " + (
        f"{plural(parameters, 'parameter')} on {schema.part.name}")
    return (*warnings, *plan.findings), summary


def _explanation(name: str) -> str:
    from paramstore.codes import explain_code

    code = explain_code(name)
    head = f"{name.strip().upper()}: {code.title}"
    paragraphs = [
        block if block.startswith("    ") else textwrap.fill(block, 80)
        for block in code.explain.split("\n\n")
    ]
    return "\n\n".join([head, *paragraphs])
