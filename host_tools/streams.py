"""Files and standard streams, for commands: `-` is stdin or stdout."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from paramstore.core.errors import SourceText

__all__ = ["STDIN", "put_bytes", "read_bytes", "read_source", "refuse_input",
           "write_bytes"]

STDIN = "<stdin>"
"""What the standard input is called in findings."""


def read_bytes(path: str) -> bytes:
    """Return the content of a file or of stdin; ToolError if it cannot be read."""
    from paramstore.core import disk

    return _stdin(disk.MAX_BYTES) if path == "-" else disk.read_bytes(path)


def read_source(path: str) -> SourceText:
    """Return the text of a file or of stdin; errors as `disk.read_text`."""
    from paramstore.core import disk

    if path != "-":
        return disk.read_text(path)
    return disk.source_text(STDIN, _stdin(disk.MAX_TEXT_BYTES))


def _stdin(most: int) -> bytes:
    """Return the standard input, which can be had once only in a run."""
    from paramstore.core.disk import read_stream, unreadable
    from paramstore.core.errors import ToolError

    run = click.get_current_context().find_root().meta
    if run.setdefault("stdin is read", False):
        raise ToolError("`-` is given for two inputs, and there is one standard input",
                        "give a file for one of them")
    run["stdin is read"] = True
    if sys.stdin is None:
        raise ToolError("the standard input is closed", "give a file")
    try:
        return read_stream(sys.stdin.buffer, STDIN, most)
    except OSError as error:
        raise unreadable(STDIN, error) from error


def write_bytes(path: str, data: bytes, inputs: Iterable[str | None],
                option: str = "-o") -> None:
    """Write a file as a whole, or to stdout; ToolError, also if `path` is one of the `inputs`.

    `option` is the one that `path` was given with.
    """
    from paramstore.core import disk

    if path == "-":
        put_bytes([data])
        return
    refuse_input(path, inputs, option)
    disk.write_bytes(path, data)


def put_bytes(parts: Iterable[bytes]) -> None:
    """Write the parts of a file to stdout; ToolError if that is closed, or if it is a terminal
    that would obey what is in them."""
    from paramstore.core.errors import ToolError

    if sys.stdout is None:
        raise ToolError("the standard output is closed", "let it lead somewhere, or give a file")
    obeyed = sys.stdout.isatty()
    for part in parts:
        if obeyed and not _prints(part):
            raise ToolError("a terminal would obey some of these bytes",
                            "let the standard output lead to a file or a program, or give a file")
        sys.stdout.buffer.write(part)
    sys.stdout.buffer.flush()


def _prints(data: bytes) -> bool:
    from paramstore.core.text import first_unprintable

    try:
        return not first_unprintable(data.decode("utf-8"), "\n\r\t")
    except UnicodeDecodeError:
        return False


def refuse_input(path: str, inputs: Iterable[str | None], option: str = "-o") -> None:
    """Refuse to write over one of the `inputs` (ToolError), whatever it is called."""
    from pathlib import Path

    from paramstore.core.errors import ToolError

    for name in inputs:
        if name in (None, "-", STDIN) or not (Path(path).exists() and Path(name).exists()):
            continue
        if Path(path).samefile(name):
            raise ToolError(f"`{path}` is an input and stays as it is",
                            f"give another name with {option}")
