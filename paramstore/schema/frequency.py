"""How often a group is written: "2 per week" or "every 10 minutes" to writes per day."""

from __future__ import annotations

import re
from decimal import Decimal

from paramstore.core.words import did_you_mean
from paramstore.located.validator import CheckedTable

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


_PERIOD = re.compile(rf"every ({_NUMBER})? ?-?([a-z]+)\.?")
_WORDS = {
    "once": "1 per life", "twice": "2 per life", "never": "1 per life", "rarely": "1 per year",
    "once a day": "1 per day", "daily": "1 per day", "hourly": "1 per hour",
    "weekly": "1 per week", "monthly": "1 per month", "yearly": "1 per year",
    "annually": "1 per year", "twice a day": "2 per day", "every other day": "every 2 days",
    "at production": "2 per life", "in production": "2 per life", "once in life": "1 per life",
}


def _unit(word: str) -> str:
    """Return the time that a word or an abbreviation means, or ""."""
    name = _SHORT.get(word, word.rstrip("s"))
    name = _SHORT.get(name, name)
    return name if name in UNITS else ""


def writes_per_day(table: CheckedTable, life_years: float) -> float | None:
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
        table.add(
            "PS307", "a group that is never written needs no place on the EEPROM" if count
            else "a group cannot be written every moment", table.span("writes"),
            help='write at least "1 per life"' if count else 'write a time, as in "every minute"',
        )
        return None
    return number / days[unit] if count else 1 / (number * days[period_unit or periods_unit])


def _refuse(table: CheckedTable, text: str) -> None:
    plain = " ".join(text.lower().split())
    meant, period = _MEANT.fullmatch(text), _PERIOD.fullmatch(plain)
    unit = meant[2].lower() if meant else ""
    unit = _unit(unit) or unit
    if plain in _WORDS:
        help = f'write "{_WORDS[plain]}"'
    elif period and (time := _unit(period[2])):
        number = period[1] or "1"
        help = f'write "every {number} {time}{"s" * (number != "1")}"'
    elif meant and unit in UNITS:
        number = Decimal(meant[1].replace("_", ""))
        help = f'write "{number:f} per {unit}"'
    elif meant:
        help = did_you_mean(unit, UNITS, "the times")
    else:
        help = 'write a number and a time, such as "2 per year"'
    table.add(
        "PS307", f"`{text}` does not say how often the group is written", table.span("writes"),
        notes=("the number of writes decides how many slots the group gets",), help=help,
    )
