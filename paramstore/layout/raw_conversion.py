"""How a value that an earlier release stored becomes one of this release: data, and its meaning.

`convert_raw` does what the firmware does, operation by operation, so that host, twin and C give the
same bits: integers exactly, with one rounding, half to even; floats in IEEE 754 binary64, one
operation after another, and a last rounding to f32 where that is the new type. Whether a value is
within its limits is judged after the conversion, as everywhere. `rounded` and `may_round` say what
a conversion cost, and may cost. Which releases these are, `releases.migrations` knows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from paramstore.core.scalars import Raw, Scalar, ScalarForm, round_f32
from paramstore.schema.numbers import float_numbers, shortest_float

__all__ = ["INT64_MAX", "Arithmetic", "Conversion", "FieldMigration", "Renumbering", "convert_raw",
           "may_round", "rounded"]

INT64_MAX = (1 << 63) - 1


class Arithmetic(NamedTuple):
    """New raw = (old raw x `numerator` + `addend`) / `denominator`; whole numbers of 64 bits."""

    numerator: int
    addend: int
    denominator: int

    @classmethod
    def of(cls, factor: Fraction, addend: Fraction) -> Arithmetic:
        """Return the arithmetic of new = old x `factor` + `addend`."""
        denominator = math.lcm(factor.denominator, addend.denominator)
        return cls(int(factor * denominator), int(addend * denominator), denominator)

    @property
    def identity(self) -> bool:
        """Whether it changes nothing."""
        return self.numerator == self.denominator and not self.addend


class Renumbering(NamedTuple):
    """Members by number: (old, new) pairs of the values of an enum, or of the bits of flags."""

    pairs: tuple[tuple[int, int], ...]
    bits: bool


class Conversion(NamedTuple):
    """From elements of one scalar to elements of another; without a rule the bytes are copied."""

    from_scalar: Scalar
    to_scalar: Scalar
    rule: Arithmetic | Renumbering | None = None


@dataclass(frozen=True, slots=True)
class FieldMigration:
    """Where an earlier release kept a field, for records that do not hold it yet.

    Of several that apply to a field the first counts.
    """

    group: int  # id of the group that the field is in
    field: str
    since: int  # applies if the newest record of that group is of a revision before this
    source: int  # id of the group, maybe a retired one, whose newest record has the old value
    source_since: int  # applies if that record is of this revision, or a later one,
    source_until: int  # and of one before this
    offset: int  # of the old value in the body of that record
    count: int  # elements, from the first on
    conversion: Conversion


def convert_raw(conversion: Conversion, raw: Raw) -> Raw | None:
    """Return the new raw element; None if there is none for it."""
    match conversion.rule:
        case None:
            return raw
        case Renumbering(pairs, bits):
            return _renumber(pairs, bits, int(raw))
        case Arithmetic() as rule if isinstance(raw, int):
            return _from_integer(rule, conversion.to_scalar, raw)
        case Arithmetic() as rule:
            return _from_float(rule, conversion.to_scalar, float(raw))


def _renumber(pairs: tuple[tuple[int, int], ...], bits: bool, raw: int) -> int | None:
    if not bits:
        return dict(pairs).get(raw)
    if raw & ~sum(1 << old for old, _ in pairs):
        return None
    return sum(1 << new for old, new in pairs if raw & 1 << old)


def _from_integer(rule: Arithmetic, target: Scalar, raw: int) -> Raw | None:
    steps = raw * rule.numerator + rule.addend
    if target.form is ScalarForm.FLOAT:
        return _fitting_float(float(steps) / float(rule.denominator), target)
    return _fitting_integer(round(Fraction(steps, rule.denominator)), target)


def _from_float(rule: Arithmetic, target: Scalar, raw: float) -> Raw | None:
    value = raw * float(rule.numerator)
    if rule.addend:  # -0.0 + 0.0 is 0.0
        value += float(rule.addend)
    value /= float(rule.denominator)
    if target.form is ScalarForm.FLOAT:
        return _fitting_float(value, target)
    if not -float(INT64_MAX) < value < float(INT64_MAX):  # beyond the arithmetic; or NaN
        return None
    return _fitting_integer(round(value), target)


def _fitting_integer(value: int, target: Scalar) -> int | None:
    return value if target.minimum <= value <= target.maximum else None


def _fitting_float(value: float, target: Scalar) -> float | None:
    if not math.isfinite(value):
        return None
    try:
        return round_f32(value) if target.size == 4 else value
    except OverflowError:
        return None


# ---- What rounding costs ------------------------------------------------------------------------


def rounded(conversion: Conversion, old: Raw, new: Raw) -> bool:
    """Return whether rounding changed the value when `old` was converted to `new`.

    A float counts as its shortest decimal: 0.3 in steps of 0.1 is exact. Nor did rounding change
    a float that leads back to `old`: the digits of a third have to end somewhere.
    """
    rule = conversion.rule
    if not isinstance(rule, Arithmetic):
        return False
    exact = _shown(conversion.from_scalar, old) * rule.numerator + rule.addend
    wanted = exact / rule.denominator
    if wanted in map(Fraction, float_numbers(conversion.to_scalar, new) if isinstance(new, float)
                     else (new,)):
        return False
    back = Conversion(conversion.to_scalar, conversion.from_scalar, Arithmetic.of(
        Fraction(rule.denominator, rule.numerator), Fraction(-rule.addend, rule.numerator)))
    return conversion.to_scalar.form is not ScalarForm.FLOAT or convert_raw(back, new) != old


def may_round(conversion: Conversion, low: Raw, high: Raw) -> bool:
    """Return whether some old value from `low` to `high` may be `rounded`; True if in doubt."""
    rule, source, target = conversion.rule, conversion.from_scalar, conversion.to_scalar
    if not isinstance(rule, Arithmetic):
        return False
    if target.form is not ScalarForm.FLOAT:
        return source.form is ScalarForm.FLOAT or rule.denominator != 1
    if source.form is ScalarForm.FLOAT:
        return target.size < source.size or bool(rule.addend) or (
            target.size == source.size and rule.numerator != rule.denominator)
    largest = max(abs(Fraction(end * rule.numerator + rule.addend, rule.denominator))
                  for end in (int(low), int(high)))
    bits = 24 if target.size == 4 else 53
    if rule.denominator == 1 and largest <= 1 << bits:
        return False
    float_spacing = Fraction(2) ** (math.frexp(largest)[1] - bits)
    # The arithmetic rounds as well.
    return 4 * float_spacing >= Fraction(abs(rule.numerator), rule.denominator)


def _shown(scalar: Scalar, raw: Raw) -> Fraction:
    return Fraction(repr(shortest_float(scalar, raw))) if isinstance(raw, float) else Fraction(raw)
