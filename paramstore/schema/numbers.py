"""The arithmetic between physical numbers and raw ones: exact, with one rounding, half to even.

Raw x scale + offset = physical. Fractions carry the exact values; only here does a float appear
on the way from TOML to the EEPROM. Knows scalars; knows no fields, limits or wording.
"""

from __future__ import annotations

import math
import re
import struct
import unicodedata
from decimal import Decimal, localcontext
from fractions import Fraction

from paramstore.core.scalars import Raw, Scalar, ScalarForm

__all__ = [
    "exact_steps",
    "float_numbers",
    "nearest_raw",
    "parse_quantity",
    "physical",
    "same_unit",
    "shortest_float",
]

_QUANTITY = re.compile(
    r"\s*([+-]?\d[\d_]*(?:\.\d[\d_]*)?(?:[eE][+-]?\d{1,6})?)(?!\d)\s*(.*?)\s*", re.ASCII
)
_LARGE = Decimal("1e400")  # beyond every stored type, yet small enough for exact arithmetic
_SMALL = 1 / _LARGE
_ENOUGH_DIGITS = 400  # raw has 20, scale and offset at most 160 each


def parse_quantity(text: str) -> tuple[Decimal, str] | None:
    """Return number and unit of "-58.2 mV/pH"; None if it does not begin with a number."""
    found = _QUANTITY.fullmatch(text)
    return (Decimal(found[1].replace("_", "")), found[2]) if found else None


def exact_steps(value: Decimal, scale: Decimal, offset: Decimal) -> Fraction:
    """Return (value - offset) / scale without rounding; `value` is finite."""
    if value:
        value = max(_SMALL, min(_LARGE, value.copy_abs())).copy_sign(value)
    return (Fraction(value) - Fraction(offset)) / Fraction(scale)


def nearest_raw(
    scalar: Scalar, value: Decimal, scale: Decimal = Decimal(1), offset: Decimal = Decimal(0)
) -> Raw | None:
    """Return the raw value nearest to a finite physical one; None beyond the stored type."""
    if scalar.form is ScalarForm.FLOAT:
        return _finite(float(value)) if scalar.size == 8 else _nearest_narrow(scalar, value)
    raw = round(exact_steps(value, scale, offset))
    return raw if scalar.minimum <= raw <= scalar.maximum else None


def physical(scalar: Scalar, raw: Raw, scale: Decimal, offset: Decimal) -> Decimal:
    """Return raw x scale + offset, exact; for floats the fewest digits that round to `raw`."""
    if isinstance(raw, float):
        return Decimal(repr(shortest_float(scalar, raw)))
    with localcontext(prec=_ENOUGH_DIGITS):
        return Decimal(raw) * scale + offset


def shortest_float(scalar: Scalar, raw: float) -> float:
    """Return the float of fewest decimal digits that is stored as `raw`."""
    if scalar.size == 8 or not math.isfinite(raw):
        return raw
    fewest, most = _DIGITS[scalar.size]
    candidates = (float(f"{raw:.{digits}g}") for digits in range(fewest, most))
    return next((c for c in candidates if _nearest_narrow(scalar, Decimal(repr(c))) == raw),
                float(f"{raw:.{most}g}"))


def float_numbers(scalar: Scalar, raw: float) -> tuple[Decimal, Decimal]:
    """Return the two numbers that a stored float is without rounding: what its bits say, and the
    one of fewest digits that is stored as it. An f32 is both 213135.34375 and 213135.34."""
    return Decimal(raw), Decimal(repr(shortest_float(scalar, raw)))


def _nearest_narrow(scalar: Scalar, value: Decimal) -> float | None:
    """Return the value of 16 or 32 bits nearest to a number; None beyond the largest one."""
    bits_code, infinity, normal, dropped = _NARROW[scalar.size]
    try:
        near = scalar.unpack(scalar.pack(float(value)))
    except OverflowError:
        return None
    if not math.isfinite(near):
        return None
    # Decimal to f64 to f32 rounds twice. That does harm only if the f64 lies half-way between two
    # narrow ones (of normal f32: 29 bits are dropped); then a look at the neighbours undoes it.
    (wide,) = struct.unpack("<Q", struct.pack("<d", float(value)))
    if wide & (1 << dropped) - 1 != 1 << dropped - 1 and abs(near) >= normal:
        return float(near)
    (bits,) = struct.unpack("<" + bits_code, scalar.pack(abs(near)))

    def number(candidate: int) -> float:
        return float(scalar.unpack(struct.pack("<" + bits_code, candidate)))

    wanted = exact_steps(value.copy_abs(), Decimal(1), Decimal(0))

    def distance(candidate: int) -> tuple[Fraction, int]:
        return abs(Fraction(number(candidate)) - wanted), candidate & 1

    best = min((b for b in (bits - 1, bits, bits + 1) if 0 <= b < infinity), key=distance)
    return math.copysign(number(best), near)


_NARROW = {2: ("H", 0x7C00, 2.0 ** -14, 42), 4: ("I", 0x7F800000, 2.0 ** -126, 29)}
"""By size: code of an integer as wide, bits of infinity, least normal value, bits that f64 has
more."""
_DIGITS = {2: (3, 5), 4: (6, 9)}
"""By size: decimal digits that every value keeps, and those that tell all values apart."""


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def same_unit(one: str, other: str) -> bool:
    """Return whether two units are spelled alike, blanks aside; some signs (micro, ohm, degree)
    have two code points, which are one to a reader."""
    plain, wanted = (unicodedata.normalize("NFKC", "".join(u.split())) for u in (one, other))
    return plain == wanted
