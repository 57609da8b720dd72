"""How the commands talk: colours, messages on stderr."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Iterable
from functools import partial
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from paramstore.errors import Finding
    from paramstore.evolve.changes import Verdict

__all__ = [
    "release_option",
    "show_error",
    "show_findings",
    "tint",
    "tint_verdict",
]

_COLOURS: dict[str, Callable[[str], str]] = {
    "error": partial(click.style, fg="red", bold=True),
    "warning": partial(click.style, fg="yellow", bold=True),
    "place": partial(click.style, fg="blue"),
    "also": partial(click.style, fg="cyan"),
    "fact": partial(click.style, bold=True),
    "mend": partial(click.style, fg="green", bold=True),
}


def tint(text: str, part: str) -> str:
    """Colour a part of a message; `click.echo` takes the colour off again beside a terminal."""
    return text if os.environ.get("NO_COLOR") else _COLOURS[part](text)


def tint_verdict(text: str, verdict: Verdict) -> str:
    """Colour what a change means for units in the field."""
    part = {"safe": "mend", "wears out early": "warning", "needs migration": "warning",
            "needs relayout": "error", "refused": "error"}[verdict.value]
    return tint(text, part)


release_option = click.option(
    "--release", type=int, metavar="N",
    help="Take release N instead of the schema as it stands (see `paramstore freeze`).")
"""For commands that work from a schema which may have been released."""


def show_findings(findings: Iterable[Finding], *, err: bool = True,
                  told: Iterable[Finding] = ()) -> None:
    """Write findings, on stderr by default, and how many there are in which file, those that were
    `told` before among them."""
    from paramstore.report.findings import count_line, findings_text

    new = tuple(findings)
    every = (*told, *new)
    if every:
        files = {f.source.path for f in every if f.source}
        where = f"{files.pop()}: " if len(files) == 1 else ""
        click.echo(findings_text(new, tint=tint) + where + count_line(every), err=err)


def show_error(error: Exception, *, as_json: bool = False,
               stdout_is_file: bool = False) -> int | None:
    """Write what went wrong on stderr and return the exit code; None for a bug of ours.

    Findings as JSON are the answer, so they go to stdout unless that is a file.
    """
    from paramstore.errors import FindingsError, ToolError

    match error:
        case FindingsError() if as_json:
            from paramstore.report.findings import findings_data

            data = findings_data(error.findings)
            click.echo(json.dumps(data, indent=2, ensure_ascii=False), err=stdout_is_file)
            return 1
        case FindingsError():
            show_findings(error.findings)
            return 1
        case ToolError():
            click.echo(tint("error", "error") + f": {error.message}", err=True)
            if error.help:
                click.echo(f"  {tint('mend', 'mend')}  {error.help}", err=True)
            return 2
        case OSError() if error.errno == errno.ENOSPC:
            click.echo(tint("error", "error") + ": no space left for the output", err=True)
            return 2
        case _:
            return None
