"""Units as far as coefficients need them: SI prefixes, products and quotients.

A coefficient of a fit has a unit made of those of the columns, such as mV/pH. It goes into a
parameter with the same unit, or one that differs by SI prefixes only. Units that are not known
here are names, compared as they are spelled.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction

__all__ = ["NONE", "Unit", "factor", "parse_unit", "same_spelling"]

_PREFIXES = {"p": -12, "n": -9, "u": -6, "m": -3, "c": -2, "k": 3, "M": 6, "G": 9}
_BASES = {"V", "A", "ohm", "W", "Hz", "Pa", "bar", "g", "m", "s", "S", "F", "H", "K", "J", "N",
          "l", "L", "mol", "T"}
_WHOLE = {"pH"}
"""Names that only look as if they had a prefix."""
_NUMBERS = {"1": Fraction(1), "%": Fraction(1, 100), "ppm": Fraction(1, 1_000_000)}
_SPELLINGS = (("µ", "u"), ("μ", "u"), ("Ω", "ohm"), ("Ω", "ohm"), ("°C", "degC"), ("℃", "degC"))


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: `scale` times a product of names, each to a power other than 0."""

    scale: Fraction = Fraction(1)
    powers: tuple[tuple[str, int], ...] = ()

    def __mul__(self, other: Unit) -> Unit:
        """Return the unit of a product."""
        return _unit(self.scale * other.scale, Counter(dict(self.powers)), dict(other.powers), 1)

    def __truediv__(self, other: Unit) -> Unit:
        """Return the unit of a quotient."""
        return _unit(self.scale / other.scale, Counter(dict(self.powers)), dict(other.powers), -1)


NONE = Unit()
"""The unit of a plain number."""


def parse_unit(text: str) -> Unit:
    """Return the unit written as "mV/pH", "uS/cm", "V/(uS/cm)", "%/K", "" or any name."""
    text = _plain(text)
    if text.endswith(")") and "/(" in text:
        top, _, bottom = text[:-1].partition("/(")
        return parse_unit(top) / parse_unit(bottom)
    first, *others = text.split("/")
    result = _product(first)
    for part in others:
        result = result / _product(part)
    return result


def factor(source: Unit, target: Unit) -> Fraction | None:
    """Return what turns a number in `source` into one in `target`; None if nothing does."""
    return source.scale / target.scale if source.powers == target.powers else None


def same_spelling(one: str, other: str) -> bool:
    """Return whether two units are the same apart from `µ` or `u`, `Ω` or `ohm`, `°C` or `degC`."""
    return _plain(one) == _plain(other)


def _plain(text: str) -> str:
    for there, here in _SPELLINGS:
        text = text.replace(there, here)
    return "".join(text.split())


def _unit(scale: Fraction, powers: Counter[str], more: dict[str, int], sign: int) -> Unit:
    for name, power in more.items():
        powers[name] += sign * power
    return Unit(scale, tuple(sorted((n, p) for n, p in powers.items() if p)))


def _product(text: str) -> Unit:
    result = NONE
    for name in filter(None, re.split(r"[*·]", text)):
        result = result * _name(name)
    return result


def _name(text: str) -> Unit:
    if text in _NUMBERS:
        return Unit(_NUMBERS[text])
    prefix, base = text[:1], text[1:]
    if text not in _BASES | _WHOLE and prefix in _PREFIXES and base in _BASES:
        return Unit(Fraction(10) ** _PREFIXES[prefix], ((base, 1),))
    return Unit(powers=((text, 1),))
