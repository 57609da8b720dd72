"""The file of the records: its tables and their versions, opening it, and transactions.

Several runs may open one file, a new one too, at the same moment. Knows no units.

The serial numbers that a table has had so far are kept out of memory as well (`SerialsSeen`), for a
table may have a million rows. Capital and small letters are the same: images are files, and not
every disk tells `a1` from `A1`.
"""

from __future__ import annotations

import sqlite3
import time
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from paramstore.core.disk import unreadable
from paramstore.core.errors import ToolError
from paramstore.core.text import printable

__all__ = ["COLUMNS", "SOUND", "Database", "SerialsSeen", "row_crc"]

_APPLICATION_ID = 0x50535231  # "PSR1"
_VERSION = 4
_MAGIC = b"SQLite format 3\0"
_PATIENCE_S = 60.0
"""How long a run waits for another one that is writing."""
_PAUSE_S = 0.01

COLUMNS = {
    "batch": ("name", "release", "plan", "serial_parameter", "constants", "begun"),
    "unit": ("serial", "batch", "row", "pattern", "number", "allotted"),
    "image": ("serial", "batch", "row", "given", "sha256", "packed"),
    "event": ("serial", "at", "what", "good", "detail", "sha256", "held"),
}
"""The columns of each table that hold something, in the order in which its checksum takes them."""
SOUND = {table: f"crc IS row_crc({', '.join(columns)})" for table, columns in COLUMNS.items()}
"""SQL that is 1 for a row of a table that agrees with its checksum."""

_TABLES = """
CREATE TABLE batch (
    name TEXT PRIMARY KEY,
    release INTEGER NOT NULL,   -- 0: not a released layout
    plan TEXT NOT NULL,         -- everything of the schema and its layout, as JSON
    serial_parameter TEXT NOT NULL,
    constants TEXT NOT NULL,    -- a values file with every parameter
    begun TEXT NOT NULL,
    crc INTEGER NOT NULL
);
CREATE TABLE unit (
    serial TEXT PRIMARY KEY,
    batch TEXT NOT NULL REFERENCES batch(name),
    row INTEGER,                -- that a pattern gave the number to
    pattern TEXT,
    number INTEGER,
    allotted TEXT NOT NULL,
    crc INTEGER NOT NULL,
    UNIQUE (batch, row)
);
CREATE INDEX unit_number ON unit(pattern, number);
CREATE TABLE image (
    id INTEGER PRIMARY KEY,
    serial TEXT NOT NULL REFERENCES unit(serial),
    batch TEXT NOT NULL REFERENCES batch(name),
    row INTEGER NOT NULL,       -- of the table of the batch
    given TEXT NOT NULL,        -- a values file with what differs from the constants
    sha256 TEXT,                -- of the whole image; NULL until it is packed
    packed TEXT,
    crc INTEGER NOT NULL,
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
    sha256 TEXT NOT NULL,       -- of the image; '' is not known
    held TEXT NOT NULL,         -- what the part holds then, as JSON; '' is not known
    crc INTEGER NOT NULL
);
CREATE INDEX event_serial ON event(serial);
"""


def row_crc(*values: str | int | None) -> int:
    """Return the checksum of a row: CRC-32 (zlib) of its values as texts, a zero byte between two.
    """
    return zlib.crc32("\0".join(map(str, values)).encode())


_CHECKED: dict[Path, tuple[int, int, int]] = {}
"""Files that this process checked as a whole, as they were when it closed them."""


def _state(path: Path) -> tuple[int, int, int]:
    """Return what changes when somebody writes to a file: its number, size and time."""
    found = path.stat() if path.exists() else None
    return (found.st_ino, found.st_size, found.st_mtime_ns) if found else (0, 0, 0)


class Database:
    """One file, made if it is new. Use it in a `with` statement. ToolError for a file that is
    damaged or holds something else."""

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
        self._absolute = Path(path).absolute()
        as_left = _CHECKED.pop(self._absolute, None)
        known = as_left is not None and as_left == _state(self._absolute)
        with self._translated():
            # SQLite gives some names a meaning of its own (`:memory:`, `file:...`), and keeps
            # nothing then; it has none for an absolute path.
            self._db = sqlite3.connect(self._absolute, timeout=_PATIENCE_S, isolation_level=None)
            self._db.create_function("row_crc", -1, row_crc, deterministic=True)
            try:
                self._prepare()
                if not known:
                    self._check()
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._db.close()
        if error is None:
            _CHECKED[self._absolute] = _state(self._absolute)

    def damaged(self, what: str) -> ToolError:
        """Return what to raise for something that no run has recorded."""
        return ToolError(f"the records in `{self.path}` are damaged: {what}",
                         "bring the file back from a copy")

    def _rows(self, table: str, condition: str, values: Sequence[Any]) -> Iterator[tuple[Any, ...]]:
        """Yield the rows of a table for which an SQL condition holds, as `COLUMNS` has them.
        ToolError for one that is not as it was written."""
        for crc, *row in self._db.execute(
                f"SELECT crc, {', '.join(COLUMNS[table])} FROM {table} WHERE {condition}", values):
            if crc != row_crc(*row):
                raise self.damaged(f"what the table `{table}` keeps of `{row[0]}` does not agree "
                                   "with its checksum")
            yield tuple(row)

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
            if not self._version():
                self._define(_TABLES)

    def _check(self) -> None:
        """Refuse a file in which an index does not have what its table has: what it lacks would
        not be found. (A row has a checksum.) It takes a second for 70 MB, so a file that is as this
        process left it is not checked again."""
        (found,) = self._db.execute("PRAGMA integrity_check(1)").fetchone()
        if found != "ok":
            raise self.damaged(f"SQLite finds: {printable(found)}")

    def _version(self) -> int:
        """Return the version of the records, 0 for a new file. ToolError if there are none."""
        (tables,) = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        # Last: what another run makes in between must not look like that of a stranger.
        (owner,) = self._db.execute("PRAGMA application_id").fetchone()
        if owner != _APPLICATION_ID and (version or tables):
            raise ToolError(f"`{self.path}` is a database, but not one of unit records",
                            "give the name of another file")
        if version not in (0, _VERSION):
            raise ToolError(f"`{self.path}` holds records of version {version}, this program "
                            f"knows version {_VERSION}", "use the program that wrote them")
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
            if "user-defined function" in str(error):  # its arguments cannot be had
                raise self.damaged("a text in them is not UTF-8") from error
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


class SerialsSeen:
    """The lines in which serial numbers stood. Use it in a `with` statement."""

    def __enter__(self) -> SerialsSeen:
        self._db = sqlite3.connect("", isolation_level=None)
        self._db.execute("CREATE TABLE seen (serial TEXT COLLATE NOCASE PRIMARY KEY, line INTEGER) "
                         "WITHOUT ROWID")
        self._db.execute("BEGIN")
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def add(self, serials: Sequence[tuple[str, int]]) -> dict[int, int]:
        """Take serial numbers, each with its line; return, by their lines, where those that are
        not new stood first."""
        done = self._db.executemany("INSERT OR IGNORE INTO seen VALUES (?, ?)", serials)
        if done.rowcount == len(serials):
            return {}
        firsts = {line: self._first(serial) for serial, line in serials}
        return {line: first for line, first in firsts.items() if first != line}

    def _first(self, serial: str) -> int:
        (line,) = self._db.execute("SELECT line FROM seen WHERE serial = ?", (serial,)).fetchone()
        return int(line)
