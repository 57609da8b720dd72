"""Which serial numbers a table has had so far, in a file that SQLite deletes by itself.

Kept out of memory, for a table may have a million rows.
"""

from __future__ import annotations

import sqlite3

__all__ = ["SerialsSeen"]


class SerialsSeen:
    """The lines in which serial numbers stood. Use it in a `with` statement."""

    def __enter__(self) -> SerialsSeen:
        self._db = sqlite3.connect("", isolation_level=None)
        self._db.execute("CREATE TABLE seen (serial TEXT PRIMARY KEY, line INTEGER) WITHOUT ROWID")
        self._db.execute("BEGIN")
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def add(self, serial: str, line: int) -> int | None:
        """Take a serial number; return the line where it stood before, None if it is new."""
        if self._db.execute("INSERT OR IGNORE INTO seen VALUES (?, ?)", (serial, line)).rowcount:
            return None
        (first,) = self._db.execute("SELECT line FROM seen WHERE serial = ?", (serial,)).fetchone()
        return int(first)
