"""Files and standard streams of bytes, for commands: `-` is stdin or stdout."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

__all__ = ["read_bytes", "write_bytes"]


def read_bytes(path: str) -> bytes:
    """Return the content of a file or of stdin; ToolError if it cannot be read."""
    from paramstore import files

    return sys.stdin.buffer.read() if path == "-" else files.read_bytes(path)


def write_bytes(path: str, data: bytes, inputs: Iterable[str | None]) -> None:
    """Write a file as a whole, or to stdout; ToolError, also if `path` is one of the `inputs`."""
    from paramstore import files
    from paramstore.errors import ToolError

    if path == "-":
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
        return
    for name in inputs:
        if name not in (None, "-") and Path(path).exists() and Path(path).samefile(name):
            raise ToolError(f"`{path}` is an input and stays as it is", "give another name with -o")
    files.write_bytes(path, data)
