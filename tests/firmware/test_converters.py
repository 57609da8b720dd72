"""Conversions in C: no warning wherever a firmware may be built, and the numbers of the host."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Iterator
from itertools import product
from pathlib import Path

import pytest

from paramstore.core.scalars import SCALARS, Raw, Scalar, ScalarForm
from paramstore.firmware.converters import converter_lines
from paramstore.layout.raw_conversion import INT64_MAX, Arithmetic, Conversion, convert_raw
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.firmware.builds import host_compilers, zig
from tests.firmware.sanitizers import watched
from tests.firmware.test_compile import TARGETS

# Numerator, addend, denominator: each alone, with either sign, together, and too large for 32 bits.
RULES = tuple(Arithmetic(*rule) for rule in (
    (5, 0, 1), (1, 0, 20), (1, 40, 1), (1, -40, 1), (5, 5863, 2), (-3, -7, 1), (-3, 9, 4),
    (1, 0, 70_000), (1000, 273_150, 9), (70_000, -70_000, 3)))

PROGRAM = """#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
{functions}
static const struct {{
    bool (*convert)(const uint8_t *from, void *to);
    unsigned size;
    uint8_t from[8];
}} cases[] = {{
{cases}
}};
int main(void)
{{
    union {{ uint64_t aligned; uint8_t bytes[8]; }} to;
    unsigned i, byte;
    for (i = 0; i < sizeof cases / sizeof cases[0]; ++i) {{
        if (cases[i].convert(cases[i].from, &to)) {{
            for (byte = 0; byte < cases[i].size; ++byte) printf("%02x", (unsigned)to.bytes[byte]);
        }}
        printf("\\n");
    }}
    return 0;
}}
"""


def conversions() -> Iterator[Conversion]:
    """Every scalar to every one by every rule that a schema may ask for."""
    for source, target, rule in product(SCALARS.values(), SCALARS.values(), RULES):
        largest = int(max(abs(source.minimum), source.maximum)) * abs(rule.numerator)
        if source.form is ScalarForm.FLOAT or largest + abs(rule.addend) <= INT64_MAX:
            yield Conversion(source, target, rule)


ALL = tuple(conversions())


def functions() -> str:
    """All of them as C."""
    return "\n".join(
        f"static bool convert_{n}(const uint8_t *from, void *to)\n{{\n    "
        + "\n    ".join(converter_lines(conversion)) + "\n}" for n, conversion in enumerate(ALL))


def samples(source: Scalar) -> list[Raw]:
    """Both ends, what is around 0, and a ramp in between."""
    if source.form is ScalarForm.FLOAT:
        return [0.0, -0.0, 0.5, -2.5, 12345.6875, -3e9, float(source.maximum)]
    low, high = int(source.minimum), int(source.maximum)
    return [low, low + 1, *range(max(low, -12), 12), high // 3, high - 1, high]


@pytest.mark.parametrize("target", TARGETS)
def test_conversions_compile_for_other_processors(target: str, tmp_path: Path) -> None:
    """Neither 16-bit int nor 64-bit long makes a warning."""
    small_double = "AVR" in target  # a schema with f64 is refused there
    source = tmp_path / "convert.c"
    source.write_text("#include <stdbool.h>\n#include <stdint.h>\n" + functions().replace(
        "static bool", "bool"), "utf-8")
    flags = (*TARGETS[target], *WARNINGS, *(["-Wno-literal-range"] * small_double))
    zig().object(source, tmp_path / "x.o", flags)


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
def test_conversions_give_what_the_host_gives(compiler: Compiler, tmp_path: Path) -> None:
    """Without a warning, and bit for bit; a value that has none there has none here."""
    cases = [(n, raw) for n, conversion in enumerate(ALL)
             for raw in samples(conversion.from_scalar)]
    rows = "\n".join(
        f"    {{ convert_{n}, {ALL[n].to_scalar.size}u, {{ "
        f"{', '.join(map(str, ALL[n].from_scalar.pack(raw)))} }} }}," for n, raw in cases)
    source = tmp_path / "convert.c"
    source.write_text(PROGRAM.format(functions=functions(), cases=rows), "utf-8")
    program = compiler.program([source], tmp_path / "convert", (*watched(compiler), *WARNINGS))
    done = subprocess.run([program], check=True, capture_output=True, text=True)
    found = done.stdout.splitlines()
    expected = [native(ALL[n].to_scalar, convert_raw(ALL[n], raw)) for n, raw in cases]
    wrong = [(ALL[n], raw, want, got) for (n, raw), want, got in zip(
        cases, expected, found, strict=True) if want != got]
    assert not wrong, wrong[:5]


def native(target: Scalar, raw: Raw | None) -> str:
    """The bytes of a number as this computer keeps it; none for no number."""
    return "" if raw is None else struct.pack("=" + target.struct_code, raw).hex()
