"""How often a group is written: "2 per week" to writes per day."""

from __future__ import annotations

import re

from paramstore.schema.desk import Table
from paramstore.schema.words import did_you_mean

__all__ = ["DAYS_PER_YEAR", "UNITS", "WRITES", "writes_per_day"]

DAYS_PER_YEAR = 365.25
UNITS = ("hour", "day", "week", "month", "year", "life")
WRITES = r"\d{1,12}(\.\d{1,12})? +per +(" + "|".join(UNITS) + ")"
"""Regular expression of a rate."""

_MEANT = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:x|times)?\s*(?:per|an?|/)?\s*([a-z]+)\s*", re.I)


def writes_per_day(table: Table, life_years: float) -> float | None:
    """Return the rate in the table of a group; None, with a finding, if it is not sound."""
    text = table.get("writes")
    if text is None:
        return None
    if not re.fullmatch(WRITES, text):
        _refuse(table, text)
        return None
    number, _, unit = text.split()
    count = float(number)
    if count == 0:
        table.desk.add(
            "PS307", "a group that is never written needs no place on the EEPROM",
            table.span("writes"), help='write at least "1 per life"',
        )
        return None
    days = {"hour": 1 / 24, "day": 1, "week": 7, "month": DAYS_PER_YEAR / 12,
            "year": DAYS_PER_YEAR, "life": life_years * DAYS_PER_YEAR}[unit]
    return count / days


def _refuse(table: Table, text: str) -> None:
    meant = _MEANT.fullmatch(text)
    unit = meant[2].lower().rstrip("s") if meant else ""
    if meant and unit in UNITS:
        help = f'write "{meant[1]} per {unit}"'
    elif unit in ("minute", "min", "second", "sec"):
        help = "count the writes of an hour: `60 per hour` is once a minute"
    elif meant:
        help = did_you_mean(unit, UNITS, "the times")
    else:
        help = 'write a number and a time, such as "2 per year"'
    table.desk.add(
        "PS307", f"`{text}` does not say how often the group is written", table.span("writes"),
        notes=("the number of writes decides how many slots the group gets",), help=help,
    )
