"""For commands that write to a part: the backup, the progress, the notes in the records."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from shlex import join
from typing import TYPE_CHECKING, NamedTuple

from host_tools.progress import counted
from host_tools.terminal import say

if TYPE_CHECKING:
    from host_tools.options import BusOptions
    from paramstore.bus.backup import Backup
    from paramstore.bus.changes import Changes
    from paramstore.bus.programmer import Programmer
    from paramstore.bus.work import Done
    from paramstore.image.contents import Contents
    from paramstore.layout.plan import Plan
    from paramstore.releases.project import Project

__all__ = ["CommandLines", "Notes", "carry_out", "keep", "tell_release"]


class Notes:
    """What is noted in the records, if there are any; `image` is what a part is given."""

    def __init__(self, records: str | None, image: Contents | None = None) -> None:
        from paramstore.production.journal import Journal

        self._journal = None if records is None else Journal(
            records, lambda: datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), image)

    def begin(self, part: Contents, detail: str) -> None:
        """Note that a write begins; nothing may be written before."""
        if self._journal is not None:
            self._journal.begin(part, detail)

    def end(self, what: str, good: bool, detail: str, part: Contents | None) -> None:
        """Note how it ended, and what the part holds; None: that is not known."""
        if self._journal is not None:
            say(self._journal.end(what, good, detail, part), err=True)


class _Try(NamedTuple):
    programmer: Programmer
    changes: Changes
    notes: Notes
    what: str

    def failed(self, error: BaseException) -> None:
        """Note a failure with what the part holds after it, if it can be read."""
        from paramstore.bus.look import reread
        from paramstore.core.errors import ParamstoreError
        from paramstore.production.records import STOPPED

        held = None
        if isinstance(error, ParamstoreError):
            try:
                held = reread(self.programmer, self.changes.before, self.changes.plan)
            except ParamstoreError:
                held = None  # not known, and noted as that
        self.notes.end(self.what, False, str(error) or STOPPED, held)


def keep(changes: Changes, path: str | None, project: Project,
         again: Callable[[Contents], Changes]) -> Backup:
    """Keep a copy of what a part held, and say where."""
    from paramstore.bus.backup import keep_backup
    from paramstore.bus.look import read_contents

    kept = keep_backup(changes, path, project.plan.schema.name, again,
                       lambda image, gaps: read_contents(project, image, gaps))
    say(f"{kept.path}: " + (
        "holds the same bytes: no new copy" if kept.same else
        "what the part held" + " before the write that did not end" * kept.before), err=True)
    return kept


class CommandLines(NamedTuple):
    """What the commands of a person have in common: the schema, the part, the records."""

    schema: str
    at: BusOptions
    records: str | None

    def back(self, kept: Backup, unlock: bool) -> str:
        """Return the command that brings the old content back, "" if there is none."""
        command = (["write", self.schema, kept.path, "--exact"] if kept.labelled else
                   ["erase", self.schema] if kept.blank else [])
        if not command:
            return ""
        return join(["paramstore", *command, *["--unlock"] * unlock, *self._part(),
                     *_options(("--records", self.records)), "--yes"])

    def over(self, release: int) -> list[str]:
        """Return the commands that bring a part to a later release."""
        return [join(["paramstore", *words]) for words in (
            ["read", self.schema, "-o", "old.hex", *self._part()],
            ["migrate", self.schema, "old.hex", "--to", str(release), "-o", "new.hex"],
            ["write", self.schema, "new.hex", "--exact", "--unlock", *self._part(),
             *_options(("--records", self.records)), "--yes"])]

    def _part(self) -> list[str]:
        return _options(("--bus", self.at.bus), ("--message-bytes", self.at.message_bytes),
                        ("--part-file", self.at.part_file))


def _options(*named: tuple[str, int | str | None]) -> list[str]:
    return [str(word) for option, value in named if value is not None for word in (option, value)]


def tell_release(part: Plan, plan: Plan, lines: CommandLines) -> None:
    """Say that a part is of an earlier release than the schema, and how to bring it over."""
    if 0 < part.release < plan.release:
        say(f"the part is of release {part.release}, the schema of release {plan.release}: values "
            f"are written as release {part.release} keeps them; to bring it over:", err=True)
        for command in lines.over(plan.release):
            say(f"  {command}", err=True)


def carry_out(programmer: Programmer, changes: Changes, kept: Backup, notes: Notes, what: str,
              lines: CommandLines) -> Done:
    """Write, with a progress bar and a note in the records before the first page; tell how to go on
    if it does not end."""
    from paramstore.bus.work import write_changes
    from paramstore.core.errors import ParamstoreError

    pages = len(changes.pages)
    notes.begin(changes.before, f"{pages} page{'s' * (pages != 1)}")
    with counted("Writing", pages, "pages") as tell:
        try:
            return write_changes(programmer, changes, tell)
        except (Exception, KeyboardInterrupt) as error:
            # What is half there is protected, too; and so is a part of another release.
            unlock = kept.other or any(g.role.protected for g in changes.plan.schema.groups
                                       if g.name in changes.groups)
            back = lines.back(kept, unlock)
            say("the write did not end; repeat it" + (f", or go back: {back}" if back else ""),
                err=True)
            if isinstance(error, (ParamstoreError, KeyboardInterrupt)):
                _Try(programmer, changes, notes, what).failed(error)
            raise
