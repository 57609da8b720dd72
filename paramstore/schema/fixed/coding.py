"""Numbers and dates that are not stored as plain binary numbers: what their bits stand for.

Pure functions; bits that stand for nothing give None. Knows neither TOML nor places.
"""

from __future__ import annotations

from datetime import date, timedelta
from enum import StrEnum

__all__ = ["DATE_CODINGS", "Coding", "decoded_date", "decoded_number"]

_EPOCH = date(1970, 1, 1)
_DAY = 86400


class Coding(StrEnum):
    """How bits are read."""

    PLAIN = "plain"  # a binary number; of a date the days since its first one
    BCD = "bcd"  # four bits to a decimal digit; of a date year, month, day
    UNIX = "unix"  # seconds since 1970-01-01 UTC
    PACKED = "packed"  # 5 bits for the day, 4 for the month, those above for years since the first


DATE_CODINGS = (Coding.BCD, Coding.UNIX, Coding.PACKED)
"""Ways other than plain that a date is stored in."""


def decoded_number(coding: Coding, bits: int) -> int | None:
    """Return the unsigned number that bits stand for."""
    if coding is Coding.PLAIN:
        return bits
    digits = f"{bits:X}"
    return int(digits) if digits.isdecimal() else None


def decoded_date(coding: Coding, bits: int, width: int, since: date) -> date | None:
    """Return the date that `width` bits stand for; days and years count from `since`."""
    try:
        match coding:
            case Coding.PLAIN:
                return since + timedelta(days=bits)
            case Coding.UNIX:
                return _EPOCH + timedelta(days=bits // _DAY)
            case Coding.PACKED:
                return date(since.year + (bits >> 9), bits >> 5 & 15, bits & 31)
        number = decoded_number(Coding.BCD, bits)
        if number is None:
            return None
        years = 0 if width > 24 else since.year  # six digits have no century
        return date(years + number // 10000, number // 100 % 100, number % 100)
    except (ValueError, OverflowError):
        return None
