"""How often a group is written: "2 per week" or "every 10 minutes" to writes per day."""

from __future__ import annotations

import re
from decimal import Decimal

from paramstore.schema.desk import Table
from paramstore.schema.words import did_you_mean

__all__ = ["DAYS_PER_YEAR", "UNITS", "WRITES", "writes_per_day"]

DAYS_PER_YEAR = 365.25
UNITS = ("second", "minute", "hour", "day", "week", "month", "year", "life")

_NUMBER = r"\d{1,12}(?:\.\d{1,12})?"
_UNIT = "|".join(UNITS)
WRITES = rf"({_NUMBER}) +per +({_UNIT})|every +(?:({_UNIT})|({_NUMBER}) +({_UNIT})s?)"
"""Regular expression of a rate: number and unit, unit alone, or number and unit of the period."""

_MEANT = re.compile(
    r"\s*(\d[\d_]*(?:\.\d+)?(?:e[+-]?\d{1,2})?)\s*(?:x|times)?\s*(?:per|an?|every|/)?"
    r"\s*([a-z]+)\s*", re.I)
_SHORT = {"s": "second", "sec": "second", "min": "minute", "h": "hour", "hr": "hour", "d": "day",
          "wk": "week", "w": "week", "mo": "month", "yr": "year", "y": "year", "a": "year"}


def writes_per_day(table: Table, life_years: float) -> float | None:
    """Return the rate in the table of a group; None, with a finding, if it is not sound."""
    text = table.get("writes")
    if text is None:
        return None
    found = re.fullmatch(WRITES, text)
    if found is None:
        _refuse(table, text)
        return None
    days = {"second": 1 / 86400, "minute": 1 / 1440, "hour": 1 / 24, "day": 1, "week": 7,
            "month": DAYS_PER_YEAR / 12, "year": DAYS_PER_YEAR, "life": life_years * DAYS_PER_YEAR}
    count, unit, period_unit, periods, periods_unit = found.groups()
    number = float(count or periods or 1)
    if number == 0:
        table.desk.add(
            "PS307", "a group that is never written needs no place on the EEPROM" if count
            else "a group cannot be written every moment", table.span("writes"),
            help='write at least "1 per life"' if count else 'write a time, as in "every minute"',
        )
        return None
    return number / days[unit] if count else 1 / (number * days[period_unit or periods_unit])


def _refuse(table: Table, text: str) -> None:
    meant = _MEANT.fullmatch(text)
    unit = meant[2].lower() if meant else ""
    unit = _SHORT.get(unit, unit.rstrip("s"))
    unit = _SHORT.get(unit, unit)
    if meant and unit in UNITS:
        number = Decimal(meant[1].replace("_", ""))
        help = f'write "{number:f} per {unit}"'
    elif meant:
        help = did_you_mean(unit, UNITS, "the times")
    else:
        help = 'write a number and a time, such as "2 per year"'
    table.desk.add(
        "PS307", f"`{text}` does not say how often the group is written", table.span("writes"),
        notes=("the number of writes decides how many slots the group gets",), help=help,
    )
