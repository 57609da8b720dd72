"""Between the stored integer and its physical value, in C: in whole decimal units, and in float.

In decimal units everything is whole numbers: physical x 10**decimals = raw x A + B, exact for every
raw value on every target. In floating point the physical value is one division (or multiplication)
of exact operands, so it is the float nearest to the decimal number, the one that a literal in C
gives; there are such functions only where that tells every raw value. Back, both ways give the
nearest raw value, half to even, as `pack` does. A float that is the nearest one to the middle of
two raw values stands for that middle: then the same decimal number gives the same raw value, in
firmware and on the host. Knows fields and C; knows no table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal
from fractions import Fraction
from math import gcd
from typing import NamedTuple

from paramstore.core.errors import Finding, Severity
from paramstore.core.scalars import SCALARS, Scalar, round_f32
from paramstore.core.words import show_number
from paramstore.firmware.rows import Constant, Function
from paramstore.firmware.spelling import C_TYPES, comment_text, real_literal
from paramstore.layout.layout_id import plain_decimal
from paramstore.layout.plan import Plan
from paramstore.schema.model import Field

__all__ = ["conversions", "decimals_constant", "unconverted"]

Namer = Callable[[str], str]
"""From a verb to the name of a function of one field."""

_NO_FLOAT = "!defined(PS_NO_FLOAT)"
_INT32_MAX = (1 << 31) - 1
_MARGIN = 8
"""A float tells raw values if its steps are this many times finer than theirs."""


class _Real(NamedTuple):
    """A floating type of C: bits of its significand, its name, what its functions stand behind."""

    name: str
    bits: int
    largest: int  # power of two that is surely within its range
    condition: str


_REALS = (_Real("float", 24, 120, _NO_FLOAT),
          _Real("double", 53, 1000, f"{_NO_FLOAT} && DBL_MANT_DIG >= 53"))


class _Decimal(NamedTuple):
    """physical x 10**decimals = raw x factor + term, in integers of C type `scalar`."""

    factor: int
    term: int
    decimals: int
    scalar: Scalar
    low: int  # of the decimal numbers that round to a raw value, the least ...
    high: int  # ... and the greatest


class _Ratio(NamedTuple):
    """physical = (raw x factor + term) x times / by, as an operation of one rounding."""

    factor: int
    term: int
    times: int
    by: int


def unconverted(plan: Plan) -> tuple[Finding, ...]:
    """Return a warning for each scaled integer that gets no function to its decimal value."""
    return tuple(
        Finding("PS703",
                f"`{ring.group.name}.{field.name}` gets no conversion to decimal numbers: 64 bits "
                "do not hold them",
                plan.schema.source, parameter.span if plan.schema.source else None,
                notes=(f"raw x {field.scale} + {field.offset}, for each {field.scalar.name}",),
                help="use a narrower type, a scale of fewer digits or no offset; or convert it in "
                     "your own code, for the values that really occur",
                severity=Severity.WARNING)
        for ring in plan.rings for parameter in ring.group.parameters
        for field in parameter.fields if field.scaled and _decimal(field) is None)


def decimals_constant(field: Field, name: str) -> Iterator[Constant]:
    """Yield the number of decimals of a scaled integer, if it can be converted."""
    if field.scaled and (decimal := _decimal(field)):
        yield Constant(name, f"{decimal.decimals}u")


def conversions(field: Field, owner: str, names: Namer) -> Iterator[Function]:
    """Yield the functions of a field; none if it is not scaled."""
    if not field.scaled:
        return
    unit = f" {field.unit}" if field.unit else ""
    if decimal := _decimal(field):
        step = show_number(Decimal(1).scaleb(-decimal.decimals))
        yield from _decimal_functions(field, decimal, comment_text(f"{owner} in {step}{unit}"),
                                      names)
    for real in _REALS:
        if ratio := _ratio(field, real):
            words = comment_text(f"{owner}, physical" + (f", in{unit}" if unit else ""))
            yield from _real_functions(field, ratio, real, words, names)
            return


# ---- In decimal units ---------------------------------------------------------------------------


def _decimal(field: Field) -> _Decimal | None:
    """Return the numbers of the conversion; None if 64 bits do not hold what it computes with."""
    decimals = max(len(plain_decimal(x).partition(".")[2]) for x in (field.scale, field.offset))
    factor, term = (int(Fraction(x) * 10**decimals) for x in (field.scale, field.offset))
    low_raw, high_raw = int(field.scalar.minimum), int(field.scalar.maximum)
    ends = sorted((low_raw * factor + term, high_raw * factor + term))
    # One more than half a step beyond the last raw value rounds to one that there is not; just
    # half a step does if the last one is odd.
    half = abs(factor) // 2
    odd = low_raw % 2, high_raw % 2
    before, behind = odd if factor > 0 else odd[::-1]
    low = ends[0] - half + (before if abs(factor) % 2 == 0 else 0)
    high = ends[1] + half - (behind if abs(factor) % 2 == 0 else 0)
    needed = [low, high, low - term, high - term, abs(factor), -abs(factor), term, -term]
    needed += [-low, -high] if factor == -1 else []
    for name in ("i32", "i64"):
        scalar = SCALARS[name]
        if all(scalar.minimum <= n <= scalar.maximum for n in needed):
            return _Decimal(factor, term, decimals, scalar, low, high)
    if factor == 1 and not term:
        return _Decimal(1, 0, decimals, field.scalar, low, high)
    return None


def _decimal_functions(field: Field, numbers: _Decimal, words: str,
                       names: Namer) -> Iterator[Function]:
    factor, term, _, wide, low, high = numbers
    raw_type, c_type = C_TYPES[field.scalar.name], C_TYPES[wide.name]
    yield Function(
        f"{words}: exact", "", f"{c_type} {names('decimal')}({raw_type} raw)",
        (f"return {_linear(f'({c_type})raw', factor, term)};",))
    checks = [f"(decimal {sign} {_number(n)})" for sign, n, end in (
        ("<", low, wide.minimum), (">", high, wide.maximum)) if n != end]
    check = (f"if ({' || '.join(checks)}) {{", "    return PS_ERR_LIMIT;", "}") if checks else ()
    if abs(factor) == 1:
        steps = _linear("decimal", 1, -term) if factor == 1 else _linear("-decimal", 1, term)
        steps = f"({steps})" if term else steps
        lines = (*check, f"*raw = ({raw_type}){steps};")
    else:
        lines = (f"{c_type} steps;", f"{c_type} rest;", *check, *_quotient(factor, term),
                 f"*raw = ({raw_type})steps;")
    yield Function("And back, to the nearest raw value, half to even", "",
                   f"ps_status_t {names('raw_of_decimal')}({c_type} decimal, {raw_type} *raw)",
                   (*lines, "return PS_OK;"))


def _quotient(factor: int, term: int) -> Iterator[str]:
    """Yield the rounded division (decimal - term) / factor; C's own cuts off towards 0."""
    size = _number(abs(factor))
    dividend = f"({_linear('decimal', 1, -term)})" if term else "decimal"
    yield from (
        f"steps = {dividend} / {size};", f"rest = {dividend} % {size};",
        f"if ((rest > ({size} - rest)) || "
        f"((rest == ({size} - rest)) && ((steps % 2) != 0))) {{", "    ++steps;",
        f"}} else if ((rest < (-{size} - rest)) || "
        f"((rest == (-{size} - rest)) && ((steps % 2) != 0))) {{", "    --steps;",
        "} else {", "    /* it is the nearest one */", "}")
    if factor < 0:
        yield "steps = -steps;"


def _linear(value: str, factor: int, term: int) -> str:
    """Return value x factor + term, which is `value` itself if there is nothing to compute."""
    product = value if factor == 1 else f"{value} * {_number(factor)}"
    if not term:
        return product
    product = product if factor == 1 else f"({product})"
    return f"{product} {'-' if term < 0 else '+'} {_number(abs(term))}"


def _number(number: int) -> str:
    """Return a whole number in C; without a suffix it gets a type that holds it."""
    text = f"{number}" if abs(number) <= _INT32_MAX else f"{number}LL"
    return f"({text})" if number < 0 else text


# ---- In floating point --------------------------------------------------------------------------


def _ratio(field: Field, real: _Real) -> _Ratio | None:
    """Return the operation that gives each physical value, and each middle between two, with one
    rounding; None where `real` cannot, or does not tell all raw values."""
    scale, offset = Fraction(field.scale), Fraction(field.offset)
    if field.scalar.size > 4:
        return None
    unit = Fraction(gcd(scale.numerator * offset.denominator, offset.numerator * scale.denominator),
                    scale.denominator * offset.denominator)
    ratio = _Ratio(int(scale / unit), int(offset / unit), unit.numerator, unit.denominator)
    if ratio.times != 1 and ratio.by != 1:
        ratio = _Ratio(ratio.factor * ratio.times, ratio.term * ratio.times, 1, ratio.by)
    factor, term, times, by = ratio
    most = max(abs(raw * factor + term) for raw in (field.scalar.minimum - 1,
                                                     field.scalar.maximum + 1))
    exact = 2 * most <= 1 << real.bits and _holds(real, times) and _holds(real, 2 * by)
    tells = most * _MARGIN <= abs(factor) << real.bits
    within = most * times < 1 << real.largest and by < 1 << real.largest
    return ratio if exact and tells and within else None


def _holds(real: _Real, number: int) -> bool:
    """Return whether a whole number is a value of the type."""
    return (number // (number & -number)).bit_length() <= real.bits


def _real_functions(field: Field, ratio: _Ratio, real: _Real, words: str,
                    names: Namer) -> Iterator[Function]:
    raw_type, low, high = C_TYPES[field.scalar.name], field.scalar.minimum, field.scalar.maximum
    single = real.name == "float"
    c_type = "int32_t" if single else "int64_t"
    factor, term, times, by = ratio

    def value(name: str, twice: int) -> str:
        """The whole number `name`, times `twice`, as a physical value."""
        if times != 1:
            return f"({real.name}){name} * {real_literal(times / twice, single)}"
        divisor = real_literal(float(twice * by), single)
        return f"({real.name}){name}" + (f" / {divisor}" if twice * by != 1 else "")

    plain = factor == 1 and not term
    yield Function(
        f"{words}: the nearest {real.name}", real.condition,
        f"{real.name} {names('physical')}({raw_type} raw)",
        (f"return {value('raw', 1)};",) if plain else (
            f"const {c_type} whole = {_linear(f'({c_type})raw', factor, term)};",
            f"return {value('whole', 1)};"))
    ends = sorted(_nearest(Fraction((n * factor + term) * times, by), single)
                  for n in (int(low) - 1, int(high) + 1))
    bounds = [real_literal(n, single) for n in ends]
    scale, offset = (real_literal(abs(float(x)), single) for x in (field.scale, field.offset))
    shifted = f"(physical {'+' if field.offset < 0 else '-'} {offset})" if field.offset else (
        "physical")
    sign = "-" if factor < 0 else ""
    up, down = (">", "<") if factor > 0 else ("<", ">")
    odd = "((steps % 2) != 0)"
    lines = (
        f"{c_type} steps;", f"{c_type} twice;", f"{real.name} above;", f"{real.name} below;",
        f"if (!((physical > {bounds[0]}) && (physical < {bounds[1]}))) {{",
        "    return PS_ERR_LIMIT;", "}",
        f"steps = ({c_type})({sign}{shifted} / {scale});",
        f"twice = {_linear('((steps * 2) + 1)', factor, 2 * term)};",
        f"above = {value('twice', 2)};",
        f"twice = {_linear('((steps * 2) - 1)', factor, 2 * term)};",
        f"below = {value('twice', 2)};",
        f"if ((physical {up} above) || ((physical == above) && {odd})) {{", "    ++steps;",
        f"}} else if ((physical {down} below) || ((physical == below) && {odd})) {{",
        "    --steps;", "} else {", "    /* it is the nearest one */", "}",
        f"if ((steps < {_number(int(low))}) || (steps > {_number(int(high))})) {{",
        "    return PS_ERR_LIMIT;", "}", f"*raw = ({raw_type})steps;", "return PS_OK;")
    yield Function("And back, to the nearest raw value, half to even", real.condition,
                   f"ps_status_t {names('raw')}({real.name} physical, {raw_type} *raw)", lines)


def _nearest(value: Fraction, single: bool) -> float:
    return round_f32(float(value)) if single else float(value)
