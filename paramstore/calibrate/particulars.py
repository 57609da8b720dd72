"""What belongs with a calibration: when, by whom, against what, and until when it holds.

A recipe gives it, a person may give some of it for one run. Nothing is made up: what nobody gave is
not known, and no clock is read.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta

from paramstore.calibrate.record_keys import INTERVAL_UNITS

__all__ = ["Particulars", "due_date", "interval_of"]

_INTERVAL = re.compile(rf"\s*(\d{{1,4}})\s+({'|'.join(INTERVAL_UNITS)})s?\s*")


@dataclass(frozen=True, slots=True)
class Particulars:
    """The circumstances of one calibration; None or "" where nobody gave them.

    `instrument` to `certificate_date` are of the reference; `interval` is a number of days, weeks,
    months or years.
    """

    measured: date | None = None
    person: str = ""
    ambient: str = ""
    buffers: tuple[str, ...] = ()
    interval: tuple[int, str] | None = None
    instrument: str = ""
    certificate: str = ""
    certificate_date: date | None = None

    @property
    def due(self) -> date | None:
        """The date by which it is to be calibrated again; None if that is not known."""
        if self.measured is None or self.interval is None:
            return None
        return due_date(self.measured, *self.interval)

    def given(self, measured: date | None, person: str, ambient: str) -> Particulars:
        """Return them with what was given for this run in place of what the recipe says."""
        return replace(self, measured=measured or self.measured, person=person or self.person,
                       ambient=ambient or self.ambient)

    def stored(self) -> Mapping[str, object]:
        """Return by key of `stores` what a parameter can take; None or empty if not known."""
        return {"date": self.measured, "due": self.due, "person": self.person,
                "instrument": self.instrument, "certificate": self.certificate,
                "ambient": self.ambient, "buffers": list(self.buffers)}


def interval_of(text: str) -> tuple[int, str] | None:
    """Return "12 months" as a number and a unit; None if it is no interval."""
    found = _INTERVAL.fullmatch(text)
    return (int(found[1]), found[2]) if found and int(found[1]) else None


def due_date(start: date, count: int, unit: str) -> date | None:
    """Return the day so much after another; the last of the month if it has no such day; None
    after the year 9999."""
    try:
        if unit in ("day", "week"):
            return start + timedelta(days=count * (7 if unit == "week" else 1))
        months = start.year * 12 + start.month - 1 + count * (12 if unit == "year" else 1)
        year, month = divmod(months, 12)
        return date(year, month + 1, min(start.day, calendar.monthrange(year, month + 1)[1]))
    except (OverflowError, ValueError):
        return None
