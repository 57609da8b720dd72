"""How the commands talk: the one way by which a text reaches a terminal, colours, errors.

Texts of inputs are part of what is said: names of files, units, what a dump holds. Here all of it
is made printable, so that nothing of it moves a cursor, hides a line or begins one.
"""

from __future__ import annotations

import errno
import os
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, NamedTuple, TextIO, cast

import click

if TYPE_CHECKING:
    from paramstore.core.errors import Finding
    from paramstore.core.text import Json
    from paramstore.releases.changes import Impact

__all__ = [
    "answer",
    "asks_json",
    "marks",
    "say",
    "say_caution",
    "say_json",
    "say_text",
    "show_error",
    "show_findings",
    "tint",
    "tint_verdict",
]


class Style(NamedTuple):
    """How a part of a message looks on a terminal."""

    colour: str | None
    bold: bool | None = None


_STYLES = {
    "error": Style("red", bold=True),
    "warning": Style("yellow", bold=True),
    "place": Style("blue"),
    "also": Style("cyan"),
    "fact": Style(None, bold=True),
    "mend": Style("green", bold=True),
    **{name: Style(name) for name in ("cyan", "green", "yellow", "magenta", "blue", "red")},
}

_MARK = f"\x1b{os.urandom(8).hex()}"
"""Begins what stands for a colour until the line is written. No input can know it: a colour in
the text of one looks like ours, and would be obeyed."""
_MARKS = re.compile(f"{_MARK}([a-z]*);")


# ---- Streams ------------------------------------------------------------------------------------

_JSON = "host_tools.json"
_FILE = "host_tools.file"


def marks(*, json: bool = False, file: bool = False) -> None:
    """Note of the command that runs that its answer is JSON, or that stdout is a file.

    UsageError if stdout is a file already.
    """
    noted = click.get_current_context().meta
    if file and noted.get(_FILE):
        raise click.UsageError("`-` is given for two files, and there is one standard output")
    noted[_JSON] = noted.get(_JSON, False) or json
    noted[_FILE] = noted.get(_FILE, False) or file


def asks_json() -> bool:
    """Whether the answer of the command that runs is JSON."""
    return _noted(_JSON)


def _noted(name: str) -> bool:
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.meta.get(name))


# ---- Texts --------------------------------------------------------------------------------------
# An answer goes to stdout, and to stderr where a file is on stdout. `err`: this is no answer.


def say(line: str = "", *, err: bool = False) -> None:
    """Write one line, whatever is in it."""
    _put("".join(_safe(line)) + "\n", err or _noted(_FILE))


def say_text(text: str, *, err: bool = False) -> None:
    """Write a report of several lines; what ends them is in it."""
    _put("\n".join("".join(_safe(line)) for line in text.split("\n")), err or _noted(_FILE))


def say_json(data: Mapping[str, object]) -> None:
    """Write data as JSON."""
    from paramstore.core.text import json_text

    err = _noted(_FILE)
    text = json_text(cast("Json", data))
    if not _can_say(text, _stream(err)):
        import json

        text = json.dumps(data, indent=2)
    _put(text + "\n", err)


def say_caution() -> None:
    """Write on stderr what is to be heeded with everything that may end up in a part."""
    from paramstore.report.wording import CAUTION

    say_text(CAUTION + "\n", err=True)


def answer(findings: Iterable[Finding], data: Callable[[], Mapping[str, object]],
           text: Callable[[], str], *, tell: Callable[[], None] | None = None) -> int:
    """Give a report: its findings and its text, or both as JSON with `--json`. `tell` shows the
    findings behind the text; without it they stand above. Return the exit code, 1 if there are
    errors."""
    from paramstore.core.errors import errors_in

    found = tuple(findings)
    if asks_json():
        from paramstore.report.findings import findings_data

        say_json(findings_data(found) | dict(data()))
    else:
        if tell is None:
            show_findings(found)
        say_text(text())
        if tell is not None:
            tell()
    return 1 if errors_in(found) else 0


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
    if not part:
        return click.style("")
    return click.style("", fg=_STYLES[part].colour, bold=_STYLES[part].bold, reset=False)


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


def tint_verdict(text: str, verdict: Impact) -> str:
    """Colour what a change means for units in the field."""
    part = {"safe": "mend", "wears out early": "warning", "needs migration": "warning",
            "needs relayout": "error", "refused": "error"}[verdict.value]
    return tint(text, part)


# ---- Findings and errors ------------------------------------------------------------------------


def show_findings(findings: Iterable[Finding], *, told: Iterable[Finding] = ()) -> None:
    """Write findings, which are part of the answer, and how many there are in which file, those
    that were `told` before among them; with `--json` as JSON, which is then all of the answer."""
    from paramstore.report.findings import count_line, findings_data, findings_text

    new = tuple(findings)
    every = (*told, *new)
    if every and asks_json():
        say_json(findings_data(every))
    elif every:
        files = {f.source.path for f in every if f.source}
        where = f"{files.pop()}: " if len(files) == 1 else ""
        say_text(findings_text(new, style=tint))
        say(where + count_line(every))


def show_error(error: Exception) -> int | None:
    """Write what went wrong and return the exit code; None for a bug of ours, and for a pipe whose
    reader has gone, which is nobody's fault.

    Findings are the answer, everything else goes to stderr.
    """
    from paramstore.core.errors import FindingsError, ToolError

    match error:
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
