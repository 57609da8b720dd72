"""Where images go: a folder of files, one archive, or one file of images end to end.

Each is written as fast as they come and never held as a whole. A file of a folder appears whole or
not at all; an archive appears when the last image is in it. Knows names and bytes only.
"""

from __future__ import annotations

import glob
import gzip
import os
import tarfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import IO, Protocol

from paramstore.core.disk import followed, make_folder
from paramstore.core.errors import ToolError
from paramstore.files.forms import FORMS, Form

__all__ = ["Archive", "EndToEnd", "Folder", "Output", "check_output", "open_output"]

_ARCHIVES = {".tar": False, ".tgz": True, ".tar.gz": True}
"""Endings of names, and whether the archive is compressed."""
_END_TO_END = ".bin"
_OF_FILES = (".gz", ".zip", ".7z", ".csv", ".toml", ".db",
             *(suffix for form in FORMS.values() for suffix in form.suffixes))
"""Suffixes that nobody gives to a folder."""
_PLACES = "a folder, an archive (.tar, .tar.gz), or one file of raw images end to end (.bin)"
_BESIDE = ".part"
_CHECKSUM = slice(148, 155)
"""Where the checksum stands in the header of a tar archive (POSIX.1-1988, ustar)."""


class Output(Protocol):
    """Takes images by name, in order. Left by an exception, it leaves nothing half-written."""

    def __enter__(self) -> Output: ...

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None: ...

    def add(self, name: str, data: bytes | memoryview) -> bool:
        """Take one file; return whether it was written, not there already with these bytes."""
        ...


class Folder:
    """One file for each image. A file that has the right bytes already stays as it is."""

    def __init__(self, path: str) -> None:
        self._folder = Path(path)
        self._ending = f"{_BESIDE}{os.getpid()}"
        make_folder(path)
        with _translated(path):
            self._stale = _left(self._folder, "*")

    def __enter__(self) -> Folder:
        return self

    def __exit__(self, *_: object) -> None:
        _remove(self._stale)

    def add(self, name: str, data: bytes | memoryview) -> bool:
        """Write a file beside its place and rename it into it."""
        target = self._folder / name
        try:
            if target.exists() and target.read_bytes() == data:
                return False
            # The name is that of one unit, which no other run has: it needs no random part.
            beside = self._folder / f".{name}{self._ending}"
            with beside.open("wb", 0) as stream:
                stream.write(data)
            beside.replace(target)
        except OSError as error:
            raise _failure(str(target), error) from error
        return True


class _OneFile:
    """A file that gets its name when it is whole."""

    def __init__(self, path: str) -> None:
        with _translated(path):
            self._target = followed(path)  # what a link leads to is replaced, not the link
        if self._target.exists() and not self._target.is_file():
            raise ToolError(f"`{path}` is not a file", "give the name of a file")
        self._beside = self._target.with_name(f".{self._target.name}{_BESIDE}{os.getpid()}")
        with _translated(path):
            self._target.parent.mkdir(parents=True, exist_ok=True)
            self._stale = _left(self._target.parent, glob.escape(self._target.name))
            self._stream: IO[bytes] = self._beside.open("wb")

    def _finish(self, kind: type[BaseException] | None, close: Callable[[], None]) -> None:
        try:
            with _translated(str(self._target)):
                if kind is None:
                    close()
                    self._stream.close()
                    self._beside.replace(self._target)
                    _remove(self._stale)
        finally:
            self._stream.close()
            self._beside.unlink(missing_ok=True)


class Archive(_OneFile):
    """A tar archive, compressed or not; the same images make the same bytes.

    Only headers of `tarfile` are used: its archives keep a list of all that is in them.
    """

    def __init__(self, path: str, packed: bool) -> None:
        super().__init__(path)
        self._packed = gzip.GzipFile("", "wb", fileobj=self._stream, mtime=0) if packed else None

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._finish(kind, self._close)

    def add(self, name: str, data: bytes | memoryview) -> bool:
        """Append a file."""
        out = self._packed or self._stream
        try:
            out.write(_header(name, len(data)))
            out.write(data)
            out.write(bytes(-len(data) % tarfile.BLOCKSIZE))
        except OSError as error:
            raise _failure(str(self._target), error) from error
        return True

    def _close(self) -> None:
        (self._packed or self._stream).write(bytes(2 * tarfile.BLOCKSIZE))
        if self._packed is not None:
            self._packed.close()


class EndToEnd(_OneFile):
    """Images one after another, in the order of the table, as some programmers take them."""

    def __enter__(self) -> EndToEnd:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._finish(kind, lambda: None)

    def add(self, name: str, data: bytes | memoryview) -> bool:
        """Append the bytes; the name is not kept."""
        try:
            self._stream.write(data)
        except OSError as error:
            raise _failure(str(self._target), error) from error
        return True


def check_output(path: str, form: Form) -> None:
    """Refuse a place that images in a form cannot go to (ToolError), before anything is made."""
    place, lower = Path(path), path.lower()
    if lower.endswith(_END_TO_END):
        if form.name != "bin":
            raise ToolError(f"images end to end are raw binary, not {form.title}",
                            "give a folder or an archive (.tar) with -o")
    elif lower.endswith(tuple(_ARCHIVES)):
        return
    elif place.exists() and not place.is_dir():
        raise ToolError(f"`{path}` is a file", f"give {_PLACES}")
    elif path == "-" or (lower.endswith(_OF_FILES) and not place.exists()):
        what = "stdout" if path == "-" else f"one file such as `{path}`"
        raise ToolError(f"the images of a batch do not go to {what}", f"give {_PLACES}")


def open_output(path: str) -> Output:
    """Return where `path` says that images go: an archive for .tar, .tar.gz and .tgz, one file of
    images end to end for .bin, else a folder. ToolError if it cannot be made."""
    lower = path.lower()
    for ending, packed in _ARCHIVES.items():
        if lower.endswith(ending):
            return Archive(path, packed)
    return EndToEnd(path) if lower.endswith(_END_TO_END) else Folder(path)


def _header(name: str, size: int) -> bytes:
    """Return the header of a file in an archive. Most differ in the name only: the rest is made
    once, and the checksum, a sum of the bytes, follows."""
    data = name.encode("ascii")
    header = bytearray(_nameless(size))
    total = int(header[_CHECKSUM].rstrip(b"\0"), 8) + sum(data)
    header[:len(data)] = data
    header[_CHECKSUM] = b"%06o\0" % total
    return bytes(header)


@lru_cache(16)
def _nameless(size: int) -> bytes:
    info = tarfile.TarInfo("")
    info.size = size
    return info.tobuf(tarfile.USTAR_FORMAT)


def _left(folder: Path, name: str) -> list[Path]:
    """Return what runs that were killed left beside files of a name, which may be a pattern. Remove
    it at the end: a run that goes on has long renamed its own then."""
    return list(folder.glob(f".{name}{_BESIDE}[0-9]*"))


def _remove(paths: list[Path]) -> None:
    for path in paths:
        path.unlink(missing_ok=True)


@contextmanager
def _translated(path: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise _failure(path, error) from error


def _failure(path: str, error: OSError) -> ToolError:
    return ToolError(f"cannot write `{path}`: {error.strerror}")
