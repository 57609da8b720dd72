"""What is noted in the records of a part that is written, compared or erased.

A beginning is noted before the first page, so that a program that dies leaves a record that claims
nothing. An end says what the part holds, as it was read back. Whose part it is, an image tells;
without one the serial number that the part itself holds.
"""

from __future__ import annotations

from collections.abc import Callable
from hashlib import sha256

from paramstore.image.contents import Contents
from paramstore.production.held import held_of, holder_of
from paramstore.production.records import BEGIN, ERASE, Event, Records

__all__ = ["Journal"]


class Journal:
    """Notes on one part in the records of the file `path`. `image` is what it is given or compared
    with, if that is an image; `now` gives the time as a text. Every call returns what to tell a
    person: for which unit something was noted, or why nothing was."""

    def __init__(self, path: str, now: Callable[[], str], image: Contents | None = None) -> None:
        self._path, self._now = path, now
        self._digest = "" if image is None else sha256(image.image).hexdigest()
        self._serial = ""
        self._before = ""

    def begin(self, part: Contents, detail: str) -> str:
        """Note, for the unit that a part was and the one that it becomes, that a write begins."""
        with Records(self._path) as records:
            self._before, _, why = self._holder(records, part)
            serial, why = self._of_image(records) if self._digest else (self._before, why)
            event = Event(self._now(), BEGIN, False, detail, self._digest)
            for unit in dict.fromkeys(s for s in (self._before, serial) if s):
                records.add_event(unit, event)
        return self._what_was_noted(serial or self._before, why)

    def end(self, what: str, good: bool, detail: str, part: Contents | None) -> str:
        """Note how it ended, and what the part holds now; None if that could not be read.

        It is the part of the unit whose serial number it holds; without one, of that of the image,
        or else of the one that it was.
        """
        with Records(self._path) as records:
            serial, name, why = self._holder(records, part) if part is not None else ("", "", "")
            if not name and self._digest:
                serial, why = self._of_image(records)
            serial = serial or ("" if name else self._before)
            if serial:
                digest = self._digest or ("" if part is None else sha256(part.image).hexdigest())
                records.add_event(serial, Event(self._now(), what, good, detail, digest,
                                                "" if part is None else held_of(part)))
            if part is not None and self._before not in ("", serial, name):
                records.add_event(self._before, Event(
                    self._now(), ERASE, True, f"its part became unit {name}" if name
                    else "its part was erased"))
                serial = serial or self._before
        return self._what_was_noted(serial, why)

    def _of_image(self, records: Records) -> tuple[str, str]:
        serial = records.serial_of_image(self._digest) or ""
        return serial, "" if serial else "the image is of no unit on record"

    def _holder(self, records: Records, part: Contents) -> tuple[str, str, str]:
        """Return the unit on record that a part is, the serial number that it holds, and why it is
        no unit on record."""
        holder = holder_of(part, records)
        if holder is None:
            return "", "", "the part has no serial number"
        if holder.unit is None:
            return "", holder.serial, f"unit `{holder.serial}` is not on record"
        return holder.serial, holder.serial, ""

    def _what_was_noted(self, serial: str, why: str) -> str:
        return f"{self._path}: " + (f"noted for unit {serial}" if serial
                                    else f"{why}; nothing was noted")
