"""Reading inputs and writing outputs so that nothing is half-written.

A file is written beside its place and renamed into it. Every failure is a `ToolError` that names
the path.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from paramstore.errors import Finding, FindingsError, SourceText, ToolError

__all__ = ["read_bytes", "read_text", "write_bytes", "write_text"]


def read_bytes(path: str | Path) -> bytes:
    """Return the content of a file; ToolError if it cannot be read."""
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise ToolError(f"cannot read `{path}`: {error.strerror}", _hint(path)) from error


def read_text(path: str | Path) -> SourceText:
    """Return a UTF-8 file as text (a leading byte-order mark is dropped, \\r\\n kept).

    ToolError if it cannot be read, FindingsError if it is not UTF-8.
    """
    data = read_bytes(path)
    try:
        return SourceText(str(path), data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FindingsError([Finding(
            "PS100",
            f"`{path}` is not UTF-8 text: byte 0x{data[error.start]:02X} in line {line}",
            notes=(f"the byte stands at offset {error.start} of the file",),
            help="save the file as UTF-8",
        )]) from error


def write_bytes(path: str | Path, data: bytes) -> None:
    """Write a file as a whole or not at all; ToolError if it cannot be written."""
    target = Path(path)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
            _give_ordinary_mode(temporary)
            Path(temporary).replace(target)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise ToolError(f"cannot write `{path}`: {error.strerror}") from error


def write_text(path: str | Path, text: str) -> None:
    """Write UTF-8 text with \\n line ends as `write_bytes` does."""
    write_bytes(path, text.encode("utf-8"))


def _give_ordinary_mode(path: str) -> None:
    # mkstemp makes files private to the user; outputs should be as readable as any other file.
    mask = os.umask(0)
    os.umask(mask)
    Path(path).chmod(0o666 & ~mask)


def _hint(path: str | Path) -> str:
    parent = Path(path).parent
    if not parent.is_dir():
        return f"there is no folder `{parent}`"
    import difflib

    near = difflib.get_close_matches(Path(path).name, [p.name for p in parent.iterdir()], n=3)
    return "did you mean " + " or ".join(f"`{parent / n}`" for n in near) + "?" if near else ""
