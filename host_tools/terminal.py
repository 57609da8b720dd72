"""How the commands talk: the one way by which a text reaches a terminal, colours, errors.

Texts of inputs are part of what is said: names of files, units, what a dump holds. Here all of it
is made printable, so that nothing of it moves a cursor, hides a line or begins one.
"""

from __future__ import annotations

import errno
import os
import re
import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, TextIO

import click

if TYPE_CHECKING:
    from paramstore.core.errors import Finding
    from paramstore.releases.changes import Verdict

__all__ = [
    "release_option",
    "say",
    "say_json",
    "say_text",
    "show_error",
    "show_findings",
    "tint",
    "tint_verdict",
]

_STYLES: dict[str, dict[str, Any]] = {
    "error": {"fg": "red", "bold": True},
    "warning": {"fg": "yellow", "bold": True},
    "place": {"fg": "blue"},
    "also": {"fg": "cyan"},
    "fact": {"bold": True},
    "mend": {"fg": "green", "bold": True},
    **{name: {"fg": name} for name in ("cyan", "green", "yellow", "magenta", "blue", "red")},
}

_MARK = f"\x1b{os.urandom(8).hex()}"
"""Begins what stands for a colour until the line is written. No input can know it: a colour in
the text of one looks like ours, and would be obeyed."""
_MARKS = re.compile(f"{_MARK}([a-z]*);")


# ---- Texts --------------------------------------------------------------------------------------


def say(line: str = "", *, err: bool = False) -> None:
    """Write one line, whatever is in it, on stdout or stderr."""
    _put("".join(_safe(line)) + "\n", err)


def say_text(text: str, *, err: bool = False) -> None:
    """Write a report of several lines, on stdout or stderr; what ends them is in it."""
    _put("\n".join("".join(_safe(line)) for line in text.split("\n")), err)


def say_json(data: Any, *, err: bool = False) -> None:
    """Write data as JSON, on stdout or stderr."""
    from paramstore.core.text import json_text

    text = json_text(data)
    if not _can_say(text, _stream(err)):
        import json

        text = json.dumps(data, indent=2)
    _put(text + "\n", err)


def _safe(line: str) -> Iterable[str]:
    """Yield a line with our own colours, and all else of it printable."""
    from paramstore.core.text import printable

    if line.isprintable():
        yield line
        return
    for number, part in enumerate(_MARKS.split(line)):
        yield _colour(part) if number % 2 else printable(part)


def _colour(part: str) -> str:
    """Return what begins a colour; without a name, what ends it."""
    return click.style("", **_STYLES[part], reset=False) if part else click.style("")


def _stream(err: bool) -> TextIO | None:
    return sys.stderr if err else sys.stdout


def _can_say(text: str, stream: TextIO | None) -> bool:
    try:
        text.encode(getattr(stream, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _put(text: str, err: bool) -> None:
    stream = _stream(err)
    if stream is None:  # it was closed when the program began
        if err or not text:
            return
        from paramstore.core.errors import ToolError

        raise ToolError("the standard output is closed", "let it lead somewhere, if only to "
                        "/dev/null")
    if not _can_say(text, stream):
        coding = stream.encoding
        text = text.encode(coding, "backslashreplace").decode(coding)
    click.echo(text, nl=False, err=err)


# ---- Colours ------------------------------------------------------------------------------------


def tint(text: str, part: str) -> str:
    """Mark a part of a message to be coloured when it is said; `click.echo` takes the colour off
    again beside a terminal."""
    return text if os.environ.get("NO_COLOR") else f"{_MARK}{part};{text}{_MARK};"


def tint_verdict(text: str, verdict: Verdict) -> str:
    """Colour what a change means for units in the field."""
    part = {"safe": "mend", "wears out early": "warning", "needs migration": "warning",
            "needs relayout": "error", "refused": "error"}[verdict.value]
    return tint(text, part)


release_option = click.option(
    "--release", type=int, metavar="N",
    help="Take release N instead of the schema as it stands (see `paramstore freeze`).")
"""For commands that work from a schema which may have been released."""


# ---- Findings and errors ------------------------------------------------------------------------


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
        say_text(findings_text(new, style=tint), err=err)
        say(where + count_line(every), err=err)


def show_error(error: Exception, *, as_json: bool = False,
               stdout_is_file: bool = False) -> int | None:
    """Write what went wrong on stderr and return the exit code; None for a bug of ours, and for a
    pipe whose reader has gone, which is nobody's fault.

    Findings as JSON are the answer, so they go to stdout unless that is a file.
    """
    from paramstore.core.errors import FindingsError, ToolError

    match error:
        case FindingsError() if as_json:
            from paramstore.report.findings import findings_data

            say_json(findings_data(error.findings), err=stdout_is_file)
            return 1
        case FindingsError():
            show_findings(error.findings)
            return 1
        case ToolError():
            _show(error.message, error.help)
            return 2
        case OSError() if error.errno == errno.ENOSPC:
            _show("no space left for the output")
            return 2
        case OSError() if error.errno != errno.EPIPE:
            why = error.strerror or str(error)
            _show(f"cannot use `{error.filename}`: {why}" if error.filename else
                  f"the system refused: {why}")
            return 2
        case click.ClickException():
            _show_usage(error)
            return error.exit_code
        case _:
            return None


def _show(message: str, help: str = "") -> None:
    say(f"{tint('error', 'error')}: {message}", err=True)
    if help:
        say(f"  {tint('mend', 'mend')}  {help}", err=True)


def _show_usage(error: click.ClickException) -> None:
    from io import StringIO

    shown = StringIO()
    # A word that it quotes may have line ends.
    error.message = "".join(_safe(error.message))  # type: ignore[misc]
    error.show(shown)
    say_text(shown.getvalue(), err=True)
