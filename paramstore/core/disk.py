"""Reading inputs and writing outputs so that nothing is half-written and nothing is endless.

A file is written beside its place and renamed into it; only what is no regular file (a device, a
pipe) is written to as it stands. An input is read up to a limit far beyond any real one. Every
failure is a `ToolError` that names the path.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import BinaryIO

from paramstore.core.errors import Finding, FindingsError, SourceText, ToolError

__all__ = ["MAX_BYTES", "MAX_TEXT_BYTES", "check_writable", "create_text", "followed", "is_there",
           "make_folder", "names_in", "read_bytes", "read_stream", "read_text", "source_text",
           "unreadable", "write_bytes", "write_text"]

MAX_BYTES = 32 << 20
"""Of an input in bytes: the largest EEPROM as a hex dump in a long console log takes a tenth."""

MAX_TEXT_BYTES = 4_000_000
"""Of an input in text: a million characters of UTF-8, which is what a TOML file may have."""

_STREAMS = ("/dev/stdout", "/dev/stderr", "/dev/fd/", "/proc/")
"""Names of open files: what they lead to stays, even if it is a regular file."""


def read_bytes(path: str | Path, most: int = MAX_BYTES) -> bytes:
    """Return the content of a file; ToolError if it cannot be read or has more than `most`."""
    try:
        with Path(path).open("rb") as stream:
            return read_stream(stream, str(path), most)
    except OSError as error:
        raise unreadable(path, error) from error


def names_in(folder: str | Path) -> list[str]:
    """Return the sorted names of what is in a folder; ToolError if it cannot be read.

    (`Path.glob` finds nothing in a folder that may not be read.)
    """
    try:
        return sorted(os.listdir(folder))  # noqa: PTH208 - no more than the names are needed
    except OSError as error:
        raise unreadable(folder, error) from error


def is_there(path: str | Path) -> bool:
    """Return whether there is anything of that name, a link that leads nowhere included.

    ToolError if that cannot be told. (`Path.exists` takes some of that for no.)
    """
    try:
        Path(path).lstat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise unreadable(path, error) from error
    return True


def unreadable(path: str | Path, error: OSError) -> ToolError:
    """Return what to raise if a file cannot be read."""
    return ToolError(f"cannot read `{path}`: {error.strerror}", _hint(path, error))


def read_stream(stream: BinaryIO, name: str, most: int = MAX_BYTES) -> bytes:
    """Return what an open file holds; ToolError, with no more read, if it is more than `most`."""
    data = stream.read(most + 1)
    if len(data) > most:
        raise ToolError(f"`{name}` has more than {most} bytes, and no input needs that many")
    return data


def read_text(path: str | Path) -> SourceText:
    """Return a UTF-8 file as text; errors as `read_bytes` and `source_text`."""
    return source_text(str(path), read_bytes(path, MAX_TEXT_BYTES))


def source_text(name: str, data: bytes) -> SourceText:
    """Return UTF-8 as text (a leading byte-order mark is dropped, \\r\\n kept).

    FindingsError if it is not UTF-8.
    """
    if _is_utf_16(data):
        raise FindingsError([Finding("PS100", f"`{name}` is UTF-16 text, not UTF-8",
                                     SourceText(name, ""),
                                     help="save the file as UTF-8")])
    try:
        return SourceText(name, data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        # The offset counts from behind a byte-order mark.
        start = error.start + (3 if data.startswith(b"\xef\xbb\xbf") else 0)
        line = data.count(b"\n", 0, start) + 1
        what = "a binary file" if b"\0" in data else "not UTF-8 text"
        raise FindingsError([Finding(
            "PS100",
            f"`{name}` is {what}: byte 0x{data[start]:02X} in line {line}",
            SourceText(name, ""),
            notes=(f"the byte stands at offset {start} of the file",),
            help="give a text file" if b"\0" in data else "save the file as UTF-8",
        )]) from error


def _is_utf_16(data: bytes) -> bool:
    """Return whether text seems to be UTF-16: of Latin letters every other byte is zero."""
    start = data[:400]
    halves = start[::2], start[1::2]
    return len(start) > 3 and (start[:2] in (b"\xff\xfe", b"\xfe\xff") or any(
        zeros.count(0) > len(zeros) * 0.7 and not others.count(0)
        for zeros, others in (halves, halves[::-1])))


def write_bytes(path: str | Path, data: bytes) -> None:
    """Write a file as a whole or not at all; ToolError if it cannot be written.

    A link stays, the file that it leads to is replaced. A device or pipe gets the data directly.
    """
    try:
        target = Path(path)
        if target.is_dir():
            raise ToolError(f"`{path}` is a folder", "give the name of a file")
        if str(path).startswith(_STREAMS) or (target.exists() and not target.is_file()):
            with target.open("wb") as stream:
                stream.write(data)
        else:
            _replace(followed(target), data)
    except OSError as error:
        raise ToolError(f"cannot write `{path}`: {error.strerror}", _hint(path)) from error


def followed(path: str | Path) -> Path:
    """Return what the links in a path lead to in the end; OSError if they lead in a circle."""
    target = Path(os.path.realpath(path))
    if target.is_symlink():
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(path))
    return target


def check_writable(path: str | Path) -> None:
    """Raise ToolError if a file cannot be changed, or not be made; nothing is done to it."""
    target = Path(path)
    place = target if target.exists() else target.parent
    if place is not target and place.exists() and not place.is_dir():
        raise ToolError(f"cannot write `{path}`: Not a directory", _hint(path))
    if not os.access(place, os.W_OK):
        why = "Permission denied" if place.exists() else "No such file or directory"
        raise ToolError(f"cannot write `{path}`: {why}", _hint(path))


def write_text(path: str | Path, text: str) -> None:
    """Write UTF-8 text with \\n line ends as `write_bytes` does."""
    write_bytes(path, text.encode("utf-8"))


def create_text(path: str | Path, text: str) -> None:
    """Write UTF-8 text to a new file, as a whole or not at all.

    ToolError if it cannot be written, or if there is anything of that name by then: of several
    processes that make the same file at once, one succeeds.
    """
    target = Path(path)
    try:
        temporary = _beside(target, text.encode("utf-8"))
        try:
            target.touch(exist_ok=False)  # one process gets the name; a rename would take it
            _put_in_place(temporary, target)
        finally:
            Path(temporary).unlink(missing_ok=True)
    except FileExistsError as error:
        raise ToolError(f"`{path}` is there already") from error
    except OSError as error:
        raise ToolError(f"cannot write `{path}`: {error.strerror}", _hint(path)) from error


def make_folder(path: str | Path) -> None:
    """Make a folder, and those around it, where there is none yet; ToolError if that fails."""
    try:
        Path(path).mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise ToolError(f"`{path}` is a file", "give the name of a folder") from error
    except OSError as error:
        raise ToolError(f"cannot make the folder `{path}`: {error.strerror}") from error


def _beside(target: Path, data: bytes) -> str:
    """Write data to a new file in the folder of `target`; return its path."""
    import tempfile  # takes longer to load than most inputs to read

    handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:100]}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return temporary


def _replace(target: Path, data: bytes) -> None:
    temporary = _beside(target, data)
    try:
        _put_in_place(temporary, target)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _put_in_place(temporary: str, target: Path) -> None:
    import shutil  # as above

    if target.exists():
        shutil.copymode(target, temporary)
    else:
        _give_ordinary_mode(temporary)
    Path(temporary).replace(target)


def _give_ordinary_mode(path: str) -> None:
    # mkstemp makes files private to the user; outputs should be as readable as any other file.
    mask = os.umask(0)
    os.umask(mask)
    Path(path).chmod(0o666 & ~mask)


def _hint(path: str | Path, error: OSError | None = None) -> str:
    """Return what may be meant by a path that leads nowhere."""
    parent = Path(path).parent
    try:
        names = os.listdir(parent)  # noqa: PTH208 - as above
    except (FileNotFoundError, NotADirectoryError):
        return f"there is no folder `{parent}`"
    except OSError:
        return ""
    if not isinstance(error, FileNotFoundError):
        return ""
    import difflib

    near = difflib.get_close_matches(Path(path).name, names, n=3)
    return "did you mean " + " or ".join(f"`{parent / n}`" for n in near) + "?" if near else ""
