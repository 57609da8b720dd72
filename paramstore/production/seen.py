"""Which serial numbers a table has had so far, in a file that SQLite deletes by itself.

Kept out of memory, for a table may have a million rows. Capital and small letters are the same:
images are files, and not every disk tells `a1` from `A1`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

__all__ = ["SerialsSeen"]


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
