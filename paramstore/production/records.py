"""The records: which serial number is which unit, and what became of it.

One file keeps all batches of a product, or of several. A serial number goes into it before
anything is made with it, in a transaction that no other run can overlap, and never leaves it: that
is all there is to "once only", also when a run is killed or two run at once. Times come from
outside, as texts.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from paramstore.errors import ParamstoreError, ToolError
from paramstore.production.serials import Pattern

__all__ = [
    "Batch",
    "Event",
    "Image",
    "NewUnit",
    "Records",
    "SerialTaken",
    "SerialsExhausted",
    "Unit",
]

_APPLICATION_ID = 0x50535231  # "PSR1"
_VERSION = 2
_AT_ONCE = 500
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
    what TEXT NOT NULL,         -- write or verify
    good INTEGER NOT NULL,
    detail TEXT NOT NULL,
    sha256 TEXT NOT NULL DEFAULT ''  -- of the image; version 1 did not keep it
);
CREATE INDEX event_serial ON event(serial);
"""

_FROM_VERSION_1 = """
ALTER TABLE image ADD COLUMN row INTEGER;
ALTER TABLE event ADD COLUMN sha256 TEXT NOT NULL DEFAULT '';
UPDATE image SET row = (SELECT row FROM unit
                        WHERE unit.serial = image.serial AND unit.batch = image.batch);
"""


@dataclass(frozen=True, slots=True)
class Batch:
    """What all units of a batch have in common: the plan as JSON, which parameter holds the serial
    number, a values file, and when it was begun."""

    name: str
    release: int
    plan: str
    serial_parameter: str
    constants: str
    begun: str = ""


@dataclass(frozen=True, slots=True)
class NewUnit:
    """A unit to be recorded: its row in the table, its own values, and its serial number if the
    table gives it."""

    row: int
    given: str
    serial: str | None = None


@dataclass(frozen=True, slots=True)
class Image:
    """One image made for a unit, from a row of the table of a batch; 0 if that is not known.
    `sha256` and `packed` are "" until it is made."""

    batch: str
    row: int
    given: str
    sha256: str
    packed: str


@dataclass(frozen=True, slots=True)
class Event:
    """A part was written or verified: when, how it went, and with which image, "" if that is not
    known."""

    at: str
    what: str
    good: bool
    detail: str
    sha256: str = ""


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit on record, and the batch that gave its number: its images, at least one, and
    events, oldest first."""

    serial: str
    batch: str
    allotted: str
    images: tuple[Image, ...]
    events: tuple[Event, ...]

    @property
    def image(self) -> Image:
        """The latest image."""
        return self.images[-1]


class SerialTaken(ParamstoreError):
    """`serial` belongs to a unit of the batch `batch`, and `row` there."""

    def __init__(self, serial: str, batch: str) -> None:
        super().__init__(serial)
        self.serial, self.batch = serial, batch


class SerialsExhausted(ParamstoreError):
    """A pattern has no number left."""


class Records:
    """The records in one file. Use it in a `with` statement."""

    def __init__(self, path: str, *, create: bool = False) -> None:
        self.path = path
        if not create and not Path(path).is_file():
            raise ToolError(f"there are no records at `{path}`",
                            "a batch begins them, beside its schema or where --records says")
        if create:
            Path(path).parent.mkdir(parents=True, exist_ok=True)
        with self._translated():
            self._db = sqlite3.connect(path, timeout=_PATIENCE_S, isolation_level=None)
            self._prepare()

    def __enter__(self) -> Records:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._db.close()

    # ---- Batches -------------------------------------------------------------------------------

    def batch(self, name: str) -> Batch | None:
        """Return a batch; None if there is none of that name."""
        with self._translated():
            row = self._db.execute("SELECT * FROM batch WHERE name = ?", (name,)).fetchone()
        return Batch(*row) if row else None

    def batches(self) -> list[Batch]:
        """Return every batch, oldest first."""
        with self._translated():
            rows = self._db.execute("SELECT * FROM batch ORDER BY begun, name").fetchall()
        return [Batch(*row) for row in rows]

    def begin(self, batch: Batch) -> None:
        """Record a batch; one that is there already stays as it is."""
        with self._transaction():
            self._db.execute("INSERT OR IGNORE INTO batch VALUES (?, ?, ?, ?, ?, ?)", (
                batch.name, batch.release, batch.plan, batch.serial_parameter, batch.constants,
                batch.begun))

    # ---- Serial numbers ------------------------------------------------------------------------

    def owners(self, serials: Sequence[str]) -> dict[str, str]:
        """Return the batches that some serial numbers were first given in; one that is free is not
        among them."""
        return dict(self._find("SELECT serial, batch FROM unit WHERE serial IN", serials))

    def serials_of_rows(self, batch: str, rows: Sequence[int]) -> dict[int, str]:
        """Return the serial numbers that some rows of a batch were given, by row."""
        return dict(self._find("SELECT row, serial FROM unit WHERE batch = ? AND row IN", rows,
                               batch))

    def given(self, batch: str, serials: Sequence[str]) -> dict[str, str]:
        """Return the values that the images of some units were made with, by serial number; one
        whose image was not made yet is not among them."""
        return dict(self._find("SELECT serial, given FROM image WHERE sha256 IS NOT NULL AND "
                               "batch = ? AND serial IN", serials, batch))

    def _find(self, question: str, keys: Sequence[str] | Sequence[int],
              *more: str) -> Iterator[tuple[Any, Any]]:
        """Yield the answers for some keys, a few hundred at a time: SQLite has a limit."""
        with self._translated():
            for at in range(0, len(keys), _AT_ONCE):
                some = keys[at:at + _AT_ONCE]
                marks = ", ".join("?" * len(some))
                yield from self._db.execute(f"{question} ({marks})", (*more, *some))

    def numbers_left(self, pattern: Pattern, first: int) -> int:
        """Return how many numbers of a pattern are free behind the last one given."""
        with self._translated():
            return int(pattern.last - self._next(pattern, first) + 1)

    def allot(self, batch: str, units: Sequence[NewUnit], at: str, pattern: Pattern | None = None,
              first: int = 1, again: bool = False) -> list[str]:
        """Give each unit its serial number, in one transaction, and return them.

        A row that has one keeps it. New ones come from `pattern`, the number after the last one,
        from `first` on; units with a serial number of their own keep that. Raises SerialTaken for
        one of another batch, unless `again`, and SerialsExhausted; nothing is recorded then.
        """
        with self._transaction():
            if pattern is None:
                serials = self._take(batch, units, at, again)
            else:
                serials = self._count(batch, units, at, pattern, first)
            self._db.executemany(
                "INSERT INTO image (serial, batch, given, row) VALUES (?, ?, ?, ?) ON CONFLICT DO "
                "UPDATE SET given = excluded.given, row = excluded.row WHERE sha256 IS NULL",
                [(serial, batch, unit.given, unit.row)
                 for serial, unit in zip(serials, units, strict=True)])
        return serials

    def _next(self, pattern: Pattern, first: int) -> int:
        (last,) = self._db.execute("SELECT max(number) FROM unit WHERE pattern = ?",
                                   (str(pattern),)).fetchone()
        return max(first, (last or 0) + 1)

    def _take(self, batch: str, units: Sequence[NewUnit], at: str, again: bool) -> list[str]:
        """Take the serial numbers that the units have."""
        serials = [unit.serial for unit in units if unit.serial is not None]
        assert len(serials) == len(units), "a unit has a serial number, or there is a pattern"
        owners = self.owners(serials)
        taken = next((s for s in serials if owners.get(s, batch) != batch), None)
        if taken is not None and not again:
            raise SerialTaken(taken, owners[taken])
        self._db.executemany("INSERT INTO unit (serial, batch, allotted) VALUES (?, ?, ?)",
                             [(s, batch, at) for s in dict.fromkeys(serials) if s not in owners])
        return serials

    def _count(self, batch: str, units: Sequence[NewUnit], at: str, pattern: Pattern,
               first: int) -> list[str]:
        """Take the next free numbers for rows that have none; one that a table gave by itself is
        passed over."""
        serials = self.serials_of_rows(batch, [unit.row for unit in units])
        rows = [unit.row for unit in units if unit.row not in serials]
        new = list(zip(rows, self._free(pattern, first), strict=False))
        if len(new) < len(rows):
            raise SerialsExhausted
        self._db.executemany(
            "INSERT INTO unit VALUES (?, ?, ?, ?, ?, ?)",
            [(serial, batch, row, str(pattern), number, at) for row, (number, serial) in new])
        serials |= {row: serial for row, (_, serial) in new}
        return [serials[unit.row] for unit in units]

    def _free(self, pattern: Pattern, first: int) -> Iterator[tuple[int, str]]:
        """Yield the numbers that follow, with their serial numbers."""
        start = self._next(pattern, first)
        for at in range(start, pattern.last + 1, _AT_ONCE):
            some = {n: pattern.serial(n)
                    for n in range(at, min(at + _AT_ONCE, pattern.last + 1))}
            taken = self.owners(list(some.values()))
            yield from ((n, serial) for n, serial in some.items() if serial not in taken)

    # ---- What became of a unit -----------------------------------------------------------------

    def packed(self, batch: str, made: Sequence[tuple[str, str]], at: str) -> None:
        """Record that images were made: (serial, SHA-256) pairs. The first time stays."""
        with self._transaction():
            self._db.executemany(
                "UPDATE image SET sha256 = ?, packed = ? WHERE serial = ? AND batch = ? "
                "AND sha256 IS NULL",
                [(digest, at, serial, batch) for serial, digest in made])

    def add_event(self, serial: str, event: Event) -> None:
        """Record that the part of a unit was written or verified."""
        with self._transaction():
            self._db.execute("INSERT INTO event (serial, at, what, good, detail, sha256) "
                             "VALUES (?, ?, ?, ?, ?, ?)", (serial, event.at, event.what,
                                                           event.good, event.detail, event.sha256))

    def serial_of_image(self, sha256: str) -> str | None:
        """Return the unit that an image was made for; None if none or more than one."""
        with self._translated():
            rows = self._db.execute("SELECT DISTINCT serial FROM image WHERE sha256 = ? LIMIT 2",
                                    (sha256,)).fetchall()
        return str(rows[0][0]) if len(rows) == 1 else None

    def batch_of(self, serial: str) -> Batch | None:
        """Return the batch that a unit was first made in; None if there is no such unit."""
        return self.batch(self.owners([serial]).get(serial, ""))

    def unit(self, serial: str, batch: str | None = None) -> Unit | None:
        """Return the unit of a serial number, with its images of one batch if that is given; None
        if there is none."""
        with self._translated():
            row = self._db.execute("SELECT serial, batch, allotted FROM unit WHERE serial = ?",
                                   (serial,)).fetchone()
            unit = self._unit(row, batch) if row else None
        return unit if unit and unit.images else None

    def units(self, text: str = "", batch: str | None = None) -> Iterator[Unit]:
        """Yield the units whose serial number, or own values or digest of an image, hold `text`
        (in any case for ASCII letters), in order of their serial numbers; if a batch is given, as
        it made them, without their other images."""
        like = "%" + text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
        with self._translated():
            rows = self._db.execute(
                "SELECT serial, batch, allotted FROM unit WHERE EXISTS (SELECT 1 FROM image "
                "WHERE image.serial = unit.serial AND (?2 IS NULL OR image.batch = ?2) AND "
                "(unit.serial LIKE ?1 ESCAPE '\\' OR given LIKE ?1 ESCAPE '\\' OR "
                "sha256 LIKE ?1 ESCAPE '\\')) ORDER BY serial", (like, batch))
            for row in rows:
                yield self._unit(row, batch)

    def _unit(self, row: tuple[str, str, str], batch: str | None) -> Unit:
        serial = row[0]
        images = self._db.execute(
            "SELECT batch, coalesce(row, 0), given, coalesce(sha256, ''), coalesce(packed, '') "
            "FROM image WHERE serial = ?1 AND (?2 IS NULL OR batch = ?2) ORDER BY id",
            (serial, batch)).fetchall()
        events = self._db.execute("SELECT at, what, good, detail, sha256 FROM event "
                                  "WHERE serial = ? ORDER BY id", (serial,)).fetchall()
        return Unit(*row, tuple(Image(*i) for i in images),
                    tuple(Event(at, what, bool(good), *more) for at, what, good, *more in events))

    # ---- SQLite --------------------------------------------------------------------------------

    def _prepare(self) -> None:
        """Make the tables of a new file; ToolError for a file that holds something else."""
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA foreign_keys = ON")
        self._write_ahead()
        with self._transaction():
            (version,) = self._db.execute("PRAGMA user_version").fetchone()
            (owner,) = self._db.execute("PRAGMA application_id").fetchone()
            (tables,) = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            if not version and not tables:
                self._define(_TABLES)
            elif (owner, version) == (_APPLICATION_ID, 1):
                self._define(_FROM_VERSION_1)
            elif owner != _APPLICATION_ID:
                raise ToolError(f"`{self.path}` is a database, but not one of unit records",
                                "give another name with --records")
            elif version != _VERSION:
                raise ToolError(f"`{self.path}` holds records of version {version}, this program "
                                f"knows version {_VERSION}", "use a newer program")

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
        except sqlite3.DatabaseError as error:
            name = getattr(error, "sqlite_errorname", "") or ""
            help = {
                "SQLITE_BUSY": "another program holds it: wait for that to end, then repeat",
                "SQLITE_NOTADB": "give another name with --records",
                "SQLITE_FULL": "make room; what was recorded so far is kept",
                "SQLITE_READONLY": "make it writable",
                "SQLITE_CANTOPEN": "see that its folder is there, and that it is a file",
            }
            raise ToolError(f"the records in `{self.path}` cannot be used: {error}", next(
                (text for start, text in help.items() if name.startswith(start)), "")) from error
