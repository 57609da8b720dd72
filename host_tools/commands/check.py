"""`paramstore check`: find the mistakes in a schema."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import click

from host_tools.options import json_option
from host_tools.streams import STDIN, read_source
from host_tools.terminal import answer, tint, tint_verdict

if TYPE_CHECKING:
    from paramstore.core.errors import Code, Finding, SourceText
    from paramstore.releases.project import Review


@click.command()
@click.argument("schema", required=False)
@click.option("--all", "show_all", is_flag=True, help="Show every finding of a kind in full.")
@click.option("--explain", metavar="CODE", help="Say more about a kind of finding, such as PS204.")
@json_option
def command(schema: str | None, show_all: bool, explain: str | None) -> int:
    """Example: paramstore check schemas/tank_probe.toml

    Find all mistakes in SCHEMA (`-`: standard input) and in the layout that it leads to, and say
    how to mend them; SCHEMA may be that of a fixed layout. If the store was released (see
    `paramstore freeze`), say for every change since what it means for units in the field. Exit code
    1: there are errors; warnings alone leave it at 0.
    """
    if explain is not None:
        from paramstore.core.errors import explain_code

        name, code = explain.strip().upper(), explain_code(explain)
        return answer((), lambda: {"code": name, "title": code.title, "explain": code.explain},
                      lambda: _explanation(name, code))
    if schema is None:
        raise click.UsageError("give a SCHEMA, or a code with --explain")
    from paramstore.report.changes import changes_data, changes_text
    from paramstore.schema.keys import is_fixed

    source = read_source(schema)
    if is_fixed(source):
        findings, what = _check_layout(source)
        return _tell(findings, {}, "", what, show_all)
    found = _review(source)
    changes = changes_text(found.changes, found.history, tint_verdict) if found.changes else ""
    return _tell(found.findings, {"changes": changes_data(found.changes)}, changes,
                 _summary(found, schema), show_all)


def _tell(findings: Sequence[Finding], data: Mapping[str, object], changes: str, what: str,
          show_all: bool) -> int:
    """Say what is wrong and what changed; the last line counts. Return the exit code."""
    from paramstore.report.findings import MOST_OF_A_KIND, count_line, findings_text

    most = None if show_all else MOST_OF_A_KIND
    return answer(findings, lambda: data, lambda: findings_text(findings, style=tint, most=most)
                  + changes + f"{what}: {count_line(findings)}\n", tell=lambda: None)


def _check_layout(source: SourceText) -> tuple[Sequence[Finding], str]:
    """Return what there is to say of the schema of a fixed layout, and what it holds."""
    from paramstore.core.errors import FindingsError
    from paramstore.report.fixed import summary
    from paramstore.schema.fixed.reader import read_layout

    try:
        layout, findings = read_layout(source)
    except FindingsError as error:
        return error.findings, source.path
    return findings, summary(layout)


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


def _explanation(name: str, code: Code) -> str:
    paragraphs = [
        block if block.startswith("    ") else textwrap.fill(block, 80)
        for block in code.explain.split("\n\n")
    ]
    return "\n\n".join([f"{name}: {code.title}", *paragraphs]) + "\n"
