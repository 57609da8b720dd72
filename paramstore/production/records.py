"""The records: which serial number is which unit, and what became of it.

One file keeps all batches of a product, or of several. A serial number goes into it before
anything is made with it, in a transaction that no other run can overlap, and never leaves it: that
is all there is to "once only", also when a run is killed or two run at once. Times come from
outside, as texts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

from paramstore.core.errors import ParamstoreError
from paramstore.production.database import SOUND, Database, row_crc
from paramstore.production.serials import SERIAL, Pattern

__all__ = [
    "BEGIN",
    "CHANGE",
    "ERASE",
    "STOPPED",
    "VERIFY",
    "WRITE",
    "Batch",
    "Event",
    "Image",
    "NewUnit",
    "Records",
    "SerialTaken",
    "SerialsExhausted",
    "UnitRecord",
]

BEGIN, WRITE, VERIFY, CHANGE, ERASE = "begin", "write", "verify", "change", "erase"
"""The events of a unit: a write or an erasing begins; its image was written; its part was compared;
it was given other values than those of its image; its part was erased, or became another unit."""

STOPPED = "stopped"
"""The detail of an event that a person ended."""

_WHAT = (BEGIN, WRITE, VERIFY, CHANGE, ERASE)

_AT_ONCE = 500
"""Keys in one question: SQLite has a limit."""


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
    """One image made for a unit, from a row of the table of a batch. `sha256` and `packed` are ""
    until it is made."""

    batch: str
    row: int
    given: str
    sha256: str
    packed: str


@dataclass(frozen=True, slots=True)
class Event:
    """Something was done with the part of a unit: when, what, how it went, and with which image,
    "" if that is not known; without an image what the part then holds as a digest. `held` is what
    the part holds then, group by group (see `held`), "" if that is not known."""

    at: str
    what: str
    good: bool
    detail: str
    sha256: str = ""
    held: str = ""


@dataclass(frozen=True, slots=True)
class UnitRecord:
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

    @property
    def last_reading(self) -> Event | None:
        """The event that says what the part holds now; None if none does, or something was begun
        after it and its end is not on record."""
        for event in reversed(self.events):
            if event.held:
                return event
            if event.what != VERIFY:
                return None
        return None

    @property
    def touched(self) -> Event | None:
        """The last event that was more than a comparison."""
        return next((e for e in reversed(self.events) if e.what != VERIFY), None)


_COLUMN_TYPES: dict[str, type] = {"str": str, "int": int, "bool": int}
"""What SQLite gives for a field of these classes: a column may hold anything."""


_Made = TypeVar("_Made", Batch, Image, Event)


class SerialTaken(ParamstoreError):
    """`serial` belongs to a unit of the batch `batch`, and `row` there."""

    def __init__(self, serial: str, batch: str) -> None:
        super().__init__(serial)
        self.serial, self.batch = serial, batch


class SerialsExhausted(ParamstoreError):
    """A pattern has no number left."""


class Records(Database):
    """The records in one file. Use it in a `with` statement."""

    # ---- Batches -------------------------------------------------------------------------------

    def batch(self, name: str) -> Batch | None:
        """Return a batch; None if there is none of that name."""
        with self._translated():
            row = next(self._rows("batch", "name = ?", (name,)), None)
        return self._made(Batch, *row) if row else None

    def batches(self) -> list[Batch]:
        """Return every batch, oldest first."""
        with self._translated():
            rows = list(self._rows("batch", "TRUE ORDER BY begun, name", ()))
        return [self._made(Batch, *row) for row in rows]

    def begin_batch(self, batch: Batch) -> None:
        """Record a batch; one that is there already stays as it is."""
        with self._transaction():
            row = (batch.name, batch.release, batch.plan, batch.serial_parameter,
                   batch.constants, batch.begun)
            self._db.execute("INSERT OR IGNORE INTO batch VALUES (?, ?, ?, ?, ?, ?, ?)",
                             (*row, row_crc(*row)))

    # ---- Serial numbers ------------------------------------------------------------------------

    def owners(self, serials: Sequence[str]) -> dict[str, str]:
        """Return the batches that some serial numbers were first given in; one that is free is not
        among them."""
        return {serial: self._text(batch, serial)
                for serial, batch, *_ in self._find("unit", "serial IN", serials)}

    def serials_of_rows(self, batch: str, rows: Sequence[int]) -> dict[int, str]:
        """Return the serial numbers that some rows of a batch were given, by row."""
        return {row: self._check_serial(serial) for serial, _, row, *_ in self._find(
            "unit", "batch = ? AND row IN", rows, batch)}

    def given(self, batch: str, serials: Sequence[str]) -> dict[str, str]:
        """Return the values that the images of some units were made with, by serial number; one
        whose image was not made yet is not among them."""
        return {serial: self._text(given, serial)
                for serial, _, _, given, sha256, _ in self._find(
                    "image", "batch = ? AND serial IN", serials, batch) if sha256 is not None}

    def given_before(self, batch: str, serials: Sequence[str]) -> dict[str, tuple[str, str]]:
        """Return of some units the latest image that another batch made: the name of that batch,
        and the values it was made with, by serial number."""
        return {serial: (self._text(name, serial), self._text(given, serial))
                for serial, name, _, given, sha256, _ in self._find(
                    "image", "batch != ? AND serial IN", serials, batch, end="ORDER BY id")
                if sha256 is not None}

    def _find(self, table: str, condition: str, keys: Sequence[str] | Sequence[int],
              *more: str, end: str = "") -> Iterator[tuple[Any, ...]]:
        """Yield the rows for some keys, a few hundred at a time."""
        with self._translated():
            for at in range(0, len(keys), _AT_ONCE):
                some = keys[at:at + _AT_ONCE]
                marks = ", ".join("?" * len(some))
                yield from self._rows(table, f"{condition} ({marks}) {end}", (*more, *some))

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
            rows = ((serial, batch, unit.row, unit.given, None, None)
                    for serial, unit in zip(serials, units, strict=True))
            self._db.executemany(
                "INSERT INTO image (serial, batch, row, given, sha256, packed, crc) VALUES "
                "(?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET row = excluded.row, "
                "given = excluded.given, crc = excluded.crc WHERE sha256 IS NULL",
                [(*row, row_crc(*row)) for row in rows])
        return serials

    def _next(self, pattern: Pattern, first: int) -> int:
        newest = next(self._rows("unit", "pattern = ? ORDER BY number DESC LIMIT 1",
                                 (str(pattern),)), None)
        if newest is None:
            return first
        if not isinstance(newest[4], int):
            raise self.damaged("the number of a unit is none")
        return max(first, newest[4] + 1)

    def _take(self, batch: str, units: Sequence[NewUnit], at: str, again: bool) -> list[str]:
        """Take the serial numbers that the units have."""
        serials = [unit.serial for unit in units if unit.serial is not None]
        assert len(serials) == len(units), "a unit has a serial number, or there is a pattern"
        owners = self.owners(serials)
        taken = next((s for s in serials if owners.get(s, batch) != batch), None)
        if taken is not None and not again:
            raise SerialTaken(taken, owners[taken])
        self._add_units((s, batch, None, None, None, at)
                        for s in dict.fromkeys(serials) if s not in owners)
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
        self._add_units((serial, batch, row, str(pattern), number, at)
                        for row, (number, serial) in new)
        serials |= {row: serial for row, (_, serial) in new}
        return [serials[unit.row] for unit in units]

    def _add_units(self, rows: Iterable[tuple[str | int | None, ...]]) -> None:
        self._db.executemany("INSERT INTO unit VALUES (?, ?, ?, ?, ?, ?, ?)",
                             [(*row, row_crc(*row)) for row in rows])

    def _free(self, pattern: Pattern, first: int) -> Iterator[tuple[int, str]]:
        """Yield the numbers that follow, with their serial numbers."""
        start = self._next(pattern, first)
        for at in range(start, pattern.last + 1, _AT_ONCE):
            some = {n: pattern.serial(n)
                    for n in range(at, min(at + _AT_ONCE, pattern.last + 1))}
            taken = self.owners(list(some.values()))
            yield from ((n, serial) for n, serial in some.items() if serial not in taken)

    # ---- What became of a unit -----------------------------------------------------------------

    def record_packed(self, batch: str, made: Sequence[tuple[str, str]], at: str) -> None:
        """Record that images were made: (serial, SHA-256) pairs. The first time stays."""
        with self._transaction():
            digests = dict(made)
            rows = [(*row[:4], digests[row[0]], at) for row in self._find(
                "image", "batch = ? AND serial IN", list(digests), batch) if row[4] is None]
            self._db.executemany(
                "UPDATE image SET sha256 = ?, packed = ?, crc = ? WHERE serial = ? AND batch = ?",
                [(*row[4:], row_crc(*row), *row[:2]) for row in rows])

    def add_event(self, serial: str, event: Event) -> None:
        """Record that the part of a unit was written or verified."""
        with self._transaction():
            row = (serial, event.at, event.what, int(event.good), event.detail, event.sha256,
                   event.held)
            self._db.execute(
                "INSERT INTO event (serial, at, what, good, detail, sha256, held, crc) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (*row, row_crc(*row)))

    def serial_of_image(self, sha256: str) -> str | None:
        """Return the unit that an image was made for; None if none or more than one."""
        with self._translated():
            serials = {row[0] for row in self._rows("image", "sha256 = ?", (sha256,))}
        return self._check_serial(serials.pop()) if len(serials) == 1 else None

    def batch_of(self, serial: str) -> Batch | None:
        """Return the batch that a unit was first made in; None if there is no such unit."""
        return self.batch(self.owners([serial]).get(serial, ""))

    def unit(self, serial: str, batch: str | None = None) -> UnitRecord | None:
        """Return the unit of a serial number, with its images of one batch if that is given; None
        if there is none."""
        with self._translated():
            row = next(self._rows("unit", "serial = ?", (serial,)), None)
            unit = self._unit(row, batch) if row else None
        return unit if unit and unit.images else None

    def units(self, text: str = "", batch: str | None = None) -> Iterator[UnitRecord]:
        """Yield the units whose serial number, or own values or digest of an image, hold `text`
        (in any case for ASCII letters), in order of their serial numbers; if a batch is given, as
        it made them, without their other images."""
        like = "%" + text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
        with self._translated():
            # A row that is damaged may be what is looked for: it is taken, and refused.
            rows = self._rows(
                "unit", f"NOT {SOUND['unit']} OR EXISTS (SELECT 1 FROM image "
                "WHERE image.serial = unit.serial AND (?2 IS NULL OR image.batch = ?2) AND "
                "(unit.serial LIKE ?1 ESCAPE '\\' OR given LIKE ?1 ESCAPE '\\' OR "
                f"sha256 LIKE ?1 ESCAPE '\\' OR NOT {SOUND['image']})) ORDER BY serial",
                (like, batch))
            for row in rows:
                yield self._unit(row, batch)

    def _unit(self, row: tuple[Any, ...], batch: str | None) -> UnitRecord:
        serial, first_batch, *_, allotted = row
        self._check_serial(serial)
        images = [self._made(Image, name, number, given, sha256 or "", packed or "")
                  for _, name, number, given, sha256, packed in self._rows(
                      "image", "serial = ?1 AND (?2 IS NULL OR batch = ?2) ORDER BY id",
                      (serial, batch))]
        events = [self._event(*event) for _, *event in self._rows(
            "event", "serial = ? ORDER BY id", (serial,))]
        return UnitRecord(serial, self._text(first_batch, serial), self._text(allotted, serial),
                    tuple(images), tuple(events))

    def _event(self, *row: Any) -> Event:
        event = self._made(Event, *row)
        if event.what not in _WHAT:
            raise self.damaged(f"`{event.what}` is nothing that can be done with a part")
        return replace(event, good=bool(event.good))

    # ---- What was found ------------------------------------------------------------------------

    def _made(self, kind: type[_Made], *row: Any) -> _Made:
        """Return values of a row as what it is of; ToolError if one is of another type."""
        for field, value in zip(fields(kind), row, strict=True):
            if not isinstance(value, _COLUMN_TYPES[str(field.type)]):
                raise self.damaged(f"`{field.name}` of {kind.__name__.lower()} `{row[0]}` is of "
                                   "another type")
        return kind(*row)

    def _text(self, value: object, serial: str) -> str:
        if not isinstance(value, str):
            raise self.damaged(f"what is kept of `{serial}` is no text")
        return value

    def _check_serial(self, serial: object) -> str:
        """Return a serial number, which becomes the name of a file; ToolError for anything else."""
        if isinstance(serial, str) and SERIAL.fullmatch(serial):
            return serial
        raise self.damaged(f"`{serial}` is no serial number")
