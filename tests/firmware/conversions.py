"""Scaled integers of many kinds, and what their conversions must give, wherever these run.

Python's whole numbers and decimals say what is right; a `Converter` runs the compiled C.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from fractions import Fraction
from typing import Any, NamedTuple, Protocol

import numpy as np

from paramstore.core.scalars import SCALARS
from paramstore.layout.plan import Plan
from paramstore.schema.model import Group, Role, Schema
from paramstore.schema.numbers import nearest_raw
from tests.record.plans import one, part, plan_of

__all__ = ["IDS", "ROWS", "Converter", "Row", "check_decimals", "check_real", "plan_with"]


class Converter(Protocol):
    """Runs the conversions of `plan_with(ROWS)`, compiled; parameter `p3` is that of row 3."""

    def forth(self, name: str, row: Row, verb: str, kind: str, raws: Sequence[int]) -> list[Any]:
        """Return what `verb`, decimal or physical, makes of each raw value; `kind` is its type."""
        ...

    def back(self, name: str, row: Row, verb: str, kind: str,
             values: Sequence[Any]) -> list[int | None]:
        """Return the raw values; None where PS_ERR_LIMIT came and the result was left alone."""
        ...


class Row(NamedTuple):
    """A scaled integer, and what its conversions use: C type of the decimal number, floating type
    or "" for none."""

    scalar: str
    scale: str
    offset: str
    decimal: str
    real: str

    @property
    def raws(self) -> Sequence[int]:
        """Every value, or the limits and many between."""
        low, high = int(SCALARS[self.scalar].minimum), int(SCALARS[self.scalar].maximum)
        if high - low < 1 << 16:
            return range(low, high + 1)
        some = [*range(-40, 41), *(n + d for n in (low, high) for d in range(-40, 41))]
        chance = random.Random(1)
        some += [chance.randrange(low, high + 1) for _ in range(20000)]
        some += [sign << bit for bit in range(64) for sign in (1, -1)]
        return sorted({n for n in some if low <= n <= high})

    @property
    def decimals(self) -> int:
        """Digits behind the point of scale and offset."""
        return max(0, *(-int(Decimal(x).normalize().as_tuple().exponent)
                        for x in (self.scale, self.offset)))

    @property
    def whole(self) -> tuple[int, int, int]:
        """Ten to the power of the decimals; scale and offset times that."""
        ten = int(10 ** self.decimals)
        return ten, int(Fraction(self.scale) * ten), int(Fraction(self.offset) * ten)

    def nearest(self, physical: Decimal) -> int | None:
        """The raw value by Python's decimal arithmetic; None outside the type."""
        with localcontext(prec=400):
            steps = (physical - Decimal(self.offset)) / Decimal(self.scale)
            raw = int(steps.quantize(Decimal(1), ROUND_HALF_EVEN))
        scalar = SCALARS[self.scalar]
        assert nearest_raw(scalar, physical, Decimal(self.scale), Decimal(self.offset)) == (
            raw if scalar.minimum <= raw <= scalar.maximum else None)  # what `pack` stores
        return raw if scalar.minimum <= raw <= scalar.maximum else None


ROWS = (
    Row("u8", "0.5", "-40", "i32", "float"),
    Row("i8", "-0.25", "3.5", "i32", "float"),
    Row("u8", "1000", "0", "i32", "float"),
    Row("i8", "2e30", "0", "", ""),  # 5**30 is no float
    Row("u8", "0.03", "0.01", "i32", "float"),
    Row("u16", "0.01", "0", "i32", "float"),
    Row("i16", "0.01", "273.15", "i32", "float"),
    Row("u16", "0.0001", "104.8576", "i32", "float"),
    Row("u16", "0.0001", "210", "i32", "double"),  # too many steps of offset for a float
    Row("i16", "-0.001", "-900", "i32", "float"),
    Row("u16", "-6", "7", "i32", "float"),
    Row("i16", "1000000", "0", "i64", "float"),
    Row("u16", "1e-10", "0", "i32", "float"),
    Row("u16", "1e-11", "0", "i32", "double"),  # 10**11 is no float
    Row("u16", "1e-40", "0", "i32", ""),
    Row("u32", "0.001", "-1000", "i64", "double"),
    Row("i32", "0.001", "0", "i32", "double"),
    Row("i32", "0.0625", "20", "i64", "double"),
    Row("i32", "-2.5", "0.25", "i64", "double"),
    Row("u32", "1e9", "0", "i64", "double"),
    Row("u32", "1", "1e15", "i64", "double"),
    Row("u32", "1", "1e16", "i64", ""),  # too many steps of offset for a double
    Row("u64", "0.001", "0", "u64", ""),
    Row("i64", "0.000001", "0", "i64", ""),
    Row("i64", "1", "1", "", ""),
    Row("u64", "0.5", "0", "", ""),
)
IDS = [f"{r.scalar} x {r.scale} + {r.offset}" for r in ROWS]


def plan_with(rows: Sequence[Row]) -> Plan:
    parameters = tuple(
        one(f"p{i}", row.scalar, 0, scale=Decimal(row.scale), offset=Decimal(row.offset))
        for i, row in enumerate(rows))
    return plan_of(Schema("unit", part(), (Group("settings", 1, Role.SETTING, 1.0, parameters),)),
                   (2,), (0,))


# ---- What must come out -------------------------------------------------------------------------


def check_decimals(converter: Converter, row: Row, name: str, raws: Sequence[int]) -> None:
    """raw x scale + offset in units of the last decimal, for all `raws`; decimal numbers around
    them go back to the nearest raw value, half to even, or are refused."""
    _, factor, term = row.whole
    numbers = converter.forth(name, row, "decimal", row.decimal, raws)
    assert [raw * factor + term for raw in raws] == numbers
    step = abs(factor)
    around = {n + d for n in numbers[::7] for d in (
        0, step // 2 - 1, step // 2, step // 2 + 1, step - 1)}
    around |= {n - d for n in (min(numbers), max(numbers)) for d in range(-step - 2, step + 2)
               } if step < 1000 else set()
    wide = SCALARS[row.decimal]
    asked = sorted(n for n in around | {int(wide.minimum), int(wide.maximum)}
                   if wide.minimum <= n <= wide.maximum)
    found = converter.back(name, row, "raw_of_decimal", row.decimal, asked)
    assert [half_to_even(n - term, factor, row) for n in asked] == found
    for at in range(0, len(asked), max(1, len(asked) // 500)):
        with localcontext(prec=60):
            assert row.nearest(Decimal(asked[at]).scaleb(-row.decimals)) == found[at]


def half_to_even(number: int, by: int, row: Row) -> int | None:
    """number / by, rounded; None outside the type."""
    quotient, rest = divmod(number, by)
    if 2 * abs(rest) > abs(by) or (2 * abs(rest) == abs(by) and quotient % 2):
        quotient += 1
    scalar = SCALARS[row.scalar]
    return quotient if scalar.minimum <= quotient <= scalar.maximum else None


def check_real(converter: Converter, row: Row, name: str, raws: Sequence[int]) -> None:
    """The physical value is the one nearest to the exact decimal number; each raw value comes back;
    the middle of two gives the even one, the next number on either side the nearer one; a NaN, an
    infinity and what is beyond the integer are refused."""
    real = np.float32 if row.real == "float" else np.float64

    def values(raws: Sequence[int], halves: int = 0) -> list[float]:
        """The nearest floating-point numbers; a double of a quotient of few digits has enough
        bits to be rounded again to a float."""
        ten, factor, term = row.whole
        return np.array([((2 * raw + halves) * factor + 2 * term) / (2 * ten) for raw in raws]
                        ).astype(real).tolist()

    physical = converter.forth(name, row, "physical", row.real, raws)
    assert values(raws) == physical
    assert list(raws) == converter.back(name, row, "raw", row.real, physical)
    middles = values(raws, halves=1)
    top = int(SCALARS[row.scalar].maximum)
    upper = [None if raw == top else raw + 1 for raw in raws]
    even = [raw if raw % 2 == 0 else above for raw, above in zip(raws, upper, strict=True)]
    assert even == converter.back(name, row, "raw", row.real, middles)
    rising = Fraction(row.scale) > 0
    for towards, expected in ((np.inf, upper), (-np.inf, list(raws))):
        asked = np.nextafter(np.array(middles, real), real(towards if rising else -towards))
        assert expected == converter.back(name, row, "raw", row.real, asked.tolist())
    beyond = values((int(SCALARS[row.scalar].minimum) - 1, top + 1))
    refused = [np.nan, np.inf, -np.inf, *beyond, float(np.finfo(real).max)]
    assert [None] * len(refused) == converter.back(name, row, "raw", row.real, refused)
