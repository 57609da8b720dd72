"""Writing to a part: a copy of what it held first, then page by page, then a look at all of it."""

from __future__ import annotations

from pathlib import Path

from paramstore.bus.changes import Changes
from paramstore.bus.programmer import Programmer, Progress
from paramstore.errors import Finding, FindingsError, SourceText, ToolError

__all__ = ["keep_backup", "write_changes"]

_MOST_BACKUPS = 10_000


def keep_backup(image: bytes, path: str | None, stem: str) -> str:
    """Write what a part held to a new file, and return its name.

    By default that is the next free `STEM.before-NNNN.bin` here. ToolError if it cannot be
    written, or is there already: a backup is never written over.
    """
    names = [path] if path is not None else [
        f"{stem}.before-{n:04}.bin" for n in range(1, _MOST_BACKUPS)]
    for name in names:
        try:
            with Path(name).open("xb") as file:
                file.write(image)
            return name
        except FileExistsError:
            continue
        except OSError as error:
            raise ToolError(f"cannot write the backup `{name}`: {error.strerror}",
                            "nothing was written to the part") from error
    raise ToolError(f"`{names[-1]}` is there already, and a backup is never written over",
                    "give another name with --backup; nothing was written to the part")


def write_changes(programmer: Programmer, changes: Changes,
                  progress: Progress = lambda _: None) -> None:
    """Write the pages of `changes` in their order, each read back, then read the whole part.

    After a failure the same call with fresh changes goes on: what was written counts, and what was
    not is as before. FindingsError (PS966) for a page that does not take its bytes, ToolError if
    the part does not answer. `progress` is told pages.
    """
    size = programmer.part.page
    for page in changes.pages:
        programmer.write_page(page * size, changes.target[page * size:(page + 1) * size])
        progress(1)
    held = programmer.read()
    if held != changes.target:
        at = next(i for i, (a, b) in enumerate(zip(held, changes.target, strict=True)) if a != b)
        raise FindingsError([Finding(
            "PS966", f"byte 0x{at:04X} changed while other pages were written",
            SourceText(programmer.name, ""),
            notes=(f"it is {held[at]:02X}, not {changes.target[at]:02X}",),
            help="see that nothing else uses the bus, then repeat")])
