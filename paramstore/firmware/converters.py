"""Conversions of old values as small C functions, one element each.

What they compute is `layout.raw_conversion.convert_raw`, in the narrowest arithmetic that gives the
same result: 32-bit integers where nothing overflows, float instead of double where one operation is
rounded once (rounding to double and then to float is the same for a single operation on floats:
double has more than twice the digits of float and two more). Knows conversions and C; knows no
releases.
"""

from __future__ import annotations

from collections.abc import Iterator

from paramstore.core.scalars import SCALARS, Scalar, ScalarForm
from paramstore.firmware.spelling import C_TYPES, literal, real_literal
from paramstore.layout.raw_conversion import INT64_MAX, Arithmetic, Conversion, Renumbering

__all__ = ["converter_lines", "needs_double", "source_words"]

_INT32_MAX = (1 << 31) - 1
_SINGLE = 1 << 24
"""Whole numbers up to here are floats."""


def converter_lines(conversion: Conversion) -> list[str]:
    """Return the body of `bool NAME(const uint8_t *from, void *to)`; its rule is not None."""
    match conversion.rule:
        case Renumbering() as rule:
            lines = _renumbering(rule, conversion.from_scalar, conversion.to_scalar)
        case Arithmetic() as rule if conversion.from_scalar.form is not ScalarForm.FLOAT:
            lines = _from_integer(rule, conversion.from_scalar, conversion.to_scalar)
        case Arithmetic() as rule:
            lines = _from_float(rule, conversion.from_scalar, conversion.to_scalar)
        case None:
            raise ValueError("a copy needs no function")
    return [*lines, "return true;"]


def needs_double(conversion: Conversion) -> bool:
    """Return whether the function computes in double."""
    return conversion.rule is not None and any("double" in line
                                               for line in converter_lines(conversion))


def source_words(conversion: Conversion) -> str:
    """Return what a function does, for its comment."""
    words = f"{conversion.from_scalar.name} to {conversion.to_scalar.name}"
    match conversion.rule:
        case Arithmetic(numerator, addend, denominator):
            text = f"x {numerator}" + (f" + {addend}" if addend else "")
            return f"{words}: ({text}) / {denominator}"
        case Renumbering(_, bits):
            return f"{words}, {'bits' if bits else 'members'} by name"
        case None:
            return words


# ---- Bytes --------------------------------------------------------------------------------------


def _unsigned(size: int) -> str:
    """Return the expression of an unsigned number in `from`."""
    c_type = f"uint{8 * max(size, 4)}_t" if size > 2 else "unsigned"
    parts = [f"(({c_type})from[{i}] << {8 * i})" if i else f"({c_type})from[0]"
             for i in range(size)]
    return " | ".join(parts)


def _load_integer(scalar: Scalar, c_type: str) -> Iterator[str]:
    bits = 8 * scalar.size
    if scalar.form is ScalarForm.UNSIGNED:
        wide = "unsigned" if scalar.size <= 2 else f"uint{bits}_t"
        yield f"const {wide} stored = {_unsigned(scalar.size)};"
        yield f"const {c_type} raw = ({c_type})stored;"
        return
    wide = "unsigned" if scalar.size <= 2 else f"uint{bits}_t"
    top = {1: "0x80u", 2: "0x8000u", 4: "0x80000000u", 8: "0x8000000000000000u"}[scalar.size]
    yield f"const {wide} stored = {_unsigned(scalar.size)};"
    # Two's complement without relying on how C converts what does not fit.
    yield f"const {wide} below = ~stored & {_below(scalar)};"
    yield (f"const {c_type} raw = ((stored & {top}) != 0u) ? "
           f"(-({c_type})below - 1) : ({c_type})stored;")


def _below(scalar: Scalar) -> str:
    return f"0x{int(scalar.maximum):X}u"


def _load_float(scalar: Scalar) -> Iterator[str]:
    yield f"union {{ uint{8 * scalar.size}_t bits; {C_TYPES[scalar.name]} real; }} stored;"
    yield f"stored.bits = {_unsigned(scalar.size)};"


def _store(target: Scalar, value: str) -> str:
    c_type = C_TYPES[target.name]
    return f"*({c_type} *)to = ({c_type})({value});" if not value.isidentifier() else (
        f"*({c_type} *)to = ({c_type}){value};")


# ---- Rules --------------------------------------------------------------------------------------


def _renumbering(rule: Renumbering, source: Scalar, target: Scalar) -> list[str]:
    raw, new = C_TYPES[source.name], C_TYPES[target.name]
    lines = [*_load_integer(source, raw), f"{new} value = 0;"]
    if rule.bits:
        mask = sum(1 << old for old, _ in rule.pairs)
        if mask != source.maximum:
            lines.append(f"if ((raw & {literal(source, int(source.maximum) - mask)}) != 0u) {{")
            lines += ["    return false;", "}"]
        for old, bit in rule.pairs:
            lines.append(f"value = ({new})(value | ((raw & {literal(source, 1 << old)}) != 0u ? "
                         f"{literal(target, 1 << bit)} : 0u));")
    else:
        lines.append("switch (raw) {")
        lines += [f"case {literal(source, old)}: value = {literal(target, number)}; break;"
                  for old, number in rule.pairs]
        lines += ["default: return false;", "}"]
    return [*lines, _store(target, "value")]


def _from_integer(rule: Arithmetic, source: Scalar, target: Scalar) -> list[str]:
    lowest, highest = sorted(int(bound) * rule.numerator + rule.addend
                             for bound in (source.minimum, source.maximum))
    largest = max(abs(lowest), abs(highest), abs(rule.numerator), abs(rule.addend),
                  2 * rule.denominator, int(source.maximum))
    assert largest <= 2 * INT64_MAX
    wide = "int32_t" if largest <= _INT32_MAX else "int64_t"
    number = SCALARS["i32" if wide == "int32_t" else "i64"]
    lines = list(_load_integer(source, wide))
    steps = "raw" if rule.numerator == 1 else f"raw * {literal(number, rule.numerator)}"
    if rule.addend:
        sign = "-" if rule.addend < 0 else "+"
        steps += f" {sign} {literal(number, abs(rule.addend))}"
    if target.form is ScalarForm.FLOAT:
        single = target.size == 4 and max(abs(lowest), abs(highest), rule.denominator) <= _SINGLE
        real, end = ("float", ".0f") if single else ("double", ".0")
        value = f"({real})({steps})" if steps != "raw" else f"({real})raw"
        if rule.denominator != 1:
            value += f" / {rule.denominator}{end}"
        return [*lines, _store(target, value)]
    if rule.addend:  # a long of 64 bits makes a sum of them that gcc warns of
        steps = f"({wide})({steps})"
    if rule.denominator == 1:
        lines.append(f"const {wide} value = {steps};")
    else:
        divisor = literal(number, rule.denominator)
        lines += [f"const {wide} steps = {steps};", f"{wide} value = steps / {divisor};",
                  f"{wide} rest = steps % {divisor};", "rest = rest < 0 ? -rest : rest;",
                  f"if (rest > {divisor} - rest || "
                  f"(rest == {divisor} - rest && value % 2 != 0)) {{",
                  "    value += steps < 0 ? -1 : 1;", "}"]
    reach = (round(lowest / rule.denominator) - 1, round(highest / rule.denominator) + 1)
    return [*lines, *_bounds(target, number, *reach), _store(target, "value")]


def _bounds(target: Scalar, number: Scalar, lowest: int, highest: int) -> Iterator[str]:
    """Yield a check that a value which may lie from `lowest` to `highest` fits its type."""
    low, high = int(target.minimum), int(target.maximum)
    checks = [f"value < {literal(number, low)}"] * (lowest < low)
    checks += [f"value > {literal(number, high)}"] * (highest > high)
    if checks:
        yield f"if ({' || '.join(checks)}) {{"
        yield from ("    return false;", "}")


def _from_float(rule: Arithmetic, source: Scalar, target: Scalar) -> list[str]:
    lines = list(_load_float(source))
    operations = [f"value * {float(rule.numerator)!r}"] * (rule.numerator != 1)
    operations += [f"value + {float(rule.addend)!r}"] * (rule.addend != 0)
    operations += [f"value / {float(rule.denominator)!r}"] * (rule.denominator != 1)
    small = max(abs(rule.numerator), abs(rule.addend), rule.denominator) <= _SINGLE
    single = source.size == 4 and small and (
        not operations or (target.size == 4 and len(operations) == 1
                           and target.form is ScalarForm.FLOAT))
    single = single and (target.form is not ScalarForm.FLOAT or target.size == 4)
    real, end = ("float", "f") if single else ("double", "")
    # volatile: each operation is rounded by itself, on a processor with fused ones too.
    several = "volatile " * (len(operations) > 1)
    lines.append(f"{several}{real} value = ({real})stored.real;")
    lines += [f"value = {operation}{end};" for operation in operations]
    if target.form is ScalarForm.FLOAT:
        return [*lines, *_finite(target)]
    return [*lines, *_rounded(target, real, end)]


def _finite(target: Scalar) -> list[str]:
    c_type = C_TYPES[target.name]
    most = real_literal(float(target.maximum), target.size == 4)
    return [f"const {c_type} result = ({c_type})value;",
            f"if (!(result >= -{most} && result <= {most})) {{", "    return false;", "}",
            f"*({c_type} *)to = result;"]


def _rounded(target: Scalar, real: str, end: str) -> list[str]:
    """Round a real number to the nearest integer, half to even."""
    low, high = int(target.minimum) - 1, int(target.maximum) + 1
    if target.size == 8:
        low, high = -INT64_MAX, INT64_MAX
    wide, number = ("int32_t", SCALARS["i32"]) if target.size < 4 else ("int64_t", SCALARS["i64"])
    return [
        f"{wide} nearest;", f"{real} rest;",
        f"if (!(value > {float(low)!r}{end} && value < {float(high)!r}{end})) {{",
        "    return false;", "}",
        f"nearest = ({wide})value;", f"rest = value - ({real})nearest;",
        f"if (rest > 0.5{end} || (rest == 0.5{end} && nearest % 2 != 0)) {{", "    ++nearest;", "}",
        f"if (rest < -0.5{end} || (rest == -0.5{end} && nearest % 2 != 0)) {{", "    --nearest;",
        "}",
        *(line.replace("value", "nearest") for line in _bounds(
            target, number, low, high)),
        _store(target, "nearest"),
    ]
