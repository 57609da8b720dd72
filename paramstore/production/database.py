"""The file of the records: its tables and their versions, opening it, and transactions.

Several runs may open one file, a new one too, at the same moment. Knows no units.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from paramstore.errors import ToolError
from paramstore.files import unreadable

__all__ = ["Database"]

_APPLICATION_ID = 0x50535231  # "PSR1"
_VERSION = 3
_MAGIC = b"SQLite format 3\0"
_PATIENCE_S = 60.0
"""How long a run waits for another one that is writing."""
_PAUSE_S = 0.01

_TABLES = """
CREATE TABLE batch (
    name TEXT PRIMARY KEY,
    release INTEGER NOT NULL,   -- 0: not a released layout
    plan TEXT NOT NULL,         -- everything of the schema and its layout, as JSON
    serial_parameter TEXT NOT NULL,
    constants TEXT NOT NULL,    -- a values file with every parameter
    begun TEXT NOT NULL
);
CREATE TABLE unit (
    serial TEXT PRIMARY KEY,
    batch TEXT NOT NULL REFERENCES batch(name),
    row INTEGER,                -- that a pattern gave the number to
    pattern TEXT,
    number INTEGER,
    allotted TEXT NOT NULL,
    UNIQUE (batch, row)
);
CREATE INDEX unit_number ON unit(pattern, number);
CREATE TABLE image (
    id INTEGER PRIMARY KEY,
    serial TEXT NOT NULL REFERENCES unit(serial),
    batch TEXT NOT NULL REFERENCES batch(name),
    given TEXT NOT NULL,        -- a values file with what differs from the constants
    sha256 TEXT,                -- of the whole image; NULL until it is packed
    packed TEXT,
    row INTEGER,                -- of the table of the batch; version 1 did not keep it
    UNIQUE (serial, batch)
);
CREATE INDEX image_sha256 ON image(sha256);
CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    serial TEXT NOT NULL REFERENCES unit(serial),
    at TEXT NOT NULL,
    what TEXT NOT NULL,         -- begin, write, verify, change or erase
    good INTEGER NOT NULL,
    detail TEXT NOT NULL,
    sha256 TEXT NOT NULL DEFAULT '', -- of the image; version 1 did not keep it
    held TEXT NOT NULL DEFAULT ''    -- what the part holds then, as JSON; '' is not known
);
CREATE INDEX event_serial ON event(serial);
"""

_FROM_VERSION_2 = """
ALTER TABLE event ADD COLUMN held TEXT NOT NULL DEFAULT '';
"""

_FROM_VERSION_1 = """
ALTER TABLE image ADD COLUMN row INTEGER;
ALTER TABLE event ADD COLUMN sha256 TEXT NOT NULL DEFAULT '';
UPDATE image SET row = (SELECT row FROM unit
                        WHERE unit.serial = image.serial AND unit.batch = image.batch);
""" + _FROM_VERSION_2


class Database:
    """One file, made if it is new and brought to this version if it is older. Use it in a `with`
    statement. ToolError for a file that holds something else."""

    def __init__(self, path: str, *, create: bool = False) -> None:
        self.path = path
        if not path:
            raise ToolError("the file of the records has no name", "give one")
        if create:
            Path(path).parent.mkdir(parents=True, exist_ok=True)
        elif not Path(path).is_file() or not Path(path).stat().st_size:
            raise ToolError(f"there are no records at `{path}`",
                            "a batch begins them, beside its schema or where --records says")
        self._refuse_other_file()
        with self._translated():
            # SQLite gives some names a meaning of its own (`:memory:`, `file:...`), and keeps
            # nothing then; it has none for an absolute path.
            self._db = sqlite3.connect(Path(path).absolute(), timeout=_PATIENCE_S,
                                       isolation_level=None)
            self._prepare()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._db.close()

    def damaged(self, what: str) -> ToolError:
        """Return what to raise for something that no run has recorded."""
        return ToolError(f"the records in `{self.path}` are damaged: {what}",
                         "bring the file back from a copy")

    def _refuse_other_file(self) -> None:
        """SQLite itself makes a database of any file that is short enough."""
        if not Path(self.path).is_file():
            return
        try:
            with Path(self.path).open("rb") as file:
                start = file.read(len(_MAGIC))
        except OSError as error:
            raise unreadable(self.path, error) from error
        if start not in (b"", _MAGIC):
            raise ToolError(f"`{self.path}` is not a database of records",
                            "give the name of another file")

    def _prepare(self) -> None:
        """Make the tables of a new file; ToolError, and nothing is done to it, for a file that
        holds something else."""
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA foreign_keys = ON")
        self._version()
        self._write_ahead()
        with self._transaction():
            version = self._version()
            if version < _VERSION:
                self._define((_TABLES, _FROM_VERSION_1, _FROM_VERSION_2)[version])

    def _version(self) -> int:
        """Return the version of the records, 0 for a new file. ToolError if there are none."""
        (tables,) = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        # Last: what another run makes in between must not look like that of a stranger.
        (owner,) = self._db.execute("PRAGMA application_id").fetchone()
        if owner != _APPLICATION_ID and (version or tables):
            raise ToolError(f"`{self.path}` is a database, but not one of unit records",
                            "give the name of another file")
        if version > _VERSION:
            raise ToolError(f"`{self.path}` holds records of version {version}, this program "
                            f"knows version {_VERSION}", "use a newer program")
        return int(version)

    def _define(self, statements: str) -> None:
        for statement in statements.split(";\n"):
            if statement.strip():
                self._db.execute(statement)
        self._db.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        self._db.execute(f"PRAGMA user_version = {_VERSION}")

    def _write_ahead(self) -> None:
        """Let others read while one writes. For a new file this needs all of it for a moment, and
        is where SQLite refuses at once instead of waiting."""
        end = time.monotonic() + _PATIENCE_S
        while True:
            try:
                self._db.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if error.sqlite_errorname != "SQLITE_BUSY" or time.monotonic() > end:
                    raise
            time.sleep(_PAUSE_S)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """Hold the only right to write until all of it is on the disk, or undone."""
        with self._translated():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except UnicodeDecodeError as error:  # also while SQLite tells what is damaged
            raise self.damaged("a text in them is not UTF-8") from error
        except sqlite3.DatabaseError as error:
            name = getattr(error, "sqlite_errorname", "") or ""
            help = {
                "SQLITE_BUSY": "another program holds it: wait for that to end, then repeat",
                "SQLITE_NOTADB": "give the name of another file",
                "SQLITE_FULL": "make room; what was recorded so far is kept",
                "SQLITE_READONLY": "make it writable",
                "SQLITE_CANTOPEN": "see that its folder is there, and that it is a file",
            }
            raise ToolError(f"the records in `{self.path}` cannot be used: {error}", next(
                (text for start, text in help.items() if name.startswith(start)), "")) from error
