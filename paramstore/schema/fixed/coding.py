"""How numbers and dates of a fixed layout are stored, if not as plain binary numbers.

The keys of a parameter that say it, and what its bits stand for; bits that stand for nothing give
None. Knows no places.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple

from paramstore.core.scalars import SCALARS
from paramstore.core.words import code_list, did_you_mean, type_of
from paramstore.located.validator import CheckedTable
from paramstore.schema.from_raw import FIRST_DATE
from paramstore.schema.model import Field, Kind

__all__ = ["DATE_CODINGS", "Coding", "ValueCoding", "date_bits", "decoded_date", "decoded_number",
           "read_coding", "stored_date"]

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


# ---- Keys ---------------------------------------------------------------------------------------


_STORAGE = {
    Coding.PLAIN: ("u16", "u32"), Coding.UNIX: ("u32", "u64"), Coding.PACKED: ("u16", "u32"),
    Coding.BCD: ("u32",)}
"""Stored types of dates by their coding, the usual one first."""


class ValueCoding(NamedTuple):
    """The coding of a number or date; `since` is the day, or the year, from which a date counts."""

    coding: Coding = Coding.PLAIN
    since: date = FIRST_DATE


def read_coding(table: CheckedTable, kind: Kind) -> ValueCoding | None:
    """Return how a parameter is stored; None, with a finding, if that is not sound."""
    known = [c.value for c in DATE_CODINGS] if kind is Kind.DATE else [Coding.BCD.value]
    name, since = table.get("coding", Coding.PLAIN.value), table.get("since", FIRST_DATE)
    if name not in (*known, Coding.PLAIN):
        table.add("PS360", f"there is no coding `{name}`", table.span("coding"),
                  help=did_you_mean(name, known) or f"use {code_list(known, 'or')}")
        return None
    coding = Coding(name)
    if not isinstance(since, date) or isinstance(since, datetime):
        table.add("PS106", f"`since` must be a date, not {type_of(since)}",
                  table.span("since"), help="write it like `since = 1980-01-01`")
        return None
    if "since" in table.values and (coding is Coding.UNIX or (
            coding is not Coding.PLAIN and (since.month, since.day) != (1, 1))):
        table.add(
            "PS364", f"`since` = {since} does not go with the coding `{coding}`",
            table.span("since"), notes=(
                "the seconds count from 1970-01-01" if coding is Coding.UNIX else
                "only years count from it",),
            help="take it out" if coding is Coding.UNIX else
            f"write the first day of the year, {since.year:04}-01-01")
        return None
    return None if table.spoilt & {"coding", "since", "storage"} else ValueCoding(coding, since)


def stored_date(table: CheckedTable, field: Field, stored: ValueCoding) -> Field | None:
    """Return the field of a date with its stored type; None, with a finding, if that is wrong."""
    known = _STORAGE[stored.coding]
    name = table.get("storage", known[0])
    if name in known:
        return replace(field, scalar=SCALARS[name])
    table.add("PS201", f"`{name}` cannot store such a date", table.span("storage"),
              help=f"use {code_list(known, 'or')}, or name its `bits`")
    return None


def date_bits(table: CheckedTable, field: Field, stored: ValueCoding, width: int) -> Field | None:
    """Return the field of a date of so many bits; None, with a finding, if these do not do."""
    most = {Coding.UNIX: 64, Coding.PACKED: 25}.get(stored.coding, 32)
    least = {Coding.PACKED: 10, Coding.BCD: 21}.get(stored.coding, 1)
    if least <= width <= most:
        wide = next(s for s in ("u16", "u32", "u64") if 8 * SCALARS[s].size >= width)
        return replace(field, scalar=SCALARS[wide])
    table.add("PS353", f"{width} bits do not make such a date", table.span("bits"),
              notes=(f"it takes {least} to {most}",), help="name other bits")
    return None
