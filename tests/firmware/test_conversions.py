"""Raw to physical and back in C, against Python's exact numbers.

Every value of 8 and 16 bits, limits and many values of wider ones; in whole decimal units, and in
float and double; also where `double` has 4 bytes.
"""

from __future__ import annotations

import ctypes
import random
from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Decimal, localcontext
from fractions import Fraction
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from paramstore.core.errors import ToolError
from paramstore.core.scalars import SCALARS
from paramstore.core.status import Status
from paramstore.firmware.generate import generate
from paramstore.firmware.physical import unconverted
from paramstore.layout.plan import Plan
from paramstore.schema.model import Group, Role, Schema
from paramstore.schema.numbers import nearest_raw
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.firmware.builds import host_compilers, write_store, zig
from tests.record.plans import one, part, plan_of


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
C = {"float": ctypes.c_float, "double": ctypes.c_double, "u8": ctypes.c_uint8,
     "i8": ctypes.c_int8, "u16": ctypes.c_uint16, "i16": ctypes.c_int16, "u32": ctypes.c_uint32,
     "i32": ctypes.c_int32, "u64": ctypes.c_uint64, "i64": ctypes.c_int64}
KEPT = 77  # what a refused conversion leaves alone


def text_of(name: str) -> str:
    return name if name in ("float", "double") else {
        "u": "uint", "i": "int"}[name[0]] + name[1:] + "_t"


def wrapper(name: str, row: Row, verbs: tuple[str, str], kind: str) -> str:
    """Arrays through the two functions of one kind."""
    raw, other = text_of(row.scalar), text_of(kind)
    return f"""
void {verbs[0]}_{name}(const {raw} *in, {other} *out, unsigned n);
void {verbs[0]}_{name}(const {raw} *in, {other} *out, unsigned n)
{{
    unsigned i;
    for (i = 0; i < n; ++i) out[i] = unit_{verbs[0]}_settings_{name}(in[i]);
}}
void {verbs[1]}_{name}(const {other} *in, {raw} *out, int *status, unsigned n);
void {verbs[1]}_{name}(const {other} *in, {raw} *out, int *status, unsigned n)
{{
    unsigned i;
    for (i = 0; i < n; ++i) status[i] = (int)unit_{verbs[1]}_settings_{name}(in[i], &out[i]);
}}
"""


def plan_with(rows: Sequence[Row]) -> Plan:
    parameters = tuple(
        one(f"p{i}", row.scalar, 0, scale=Decimal(row.scale), offset=Decimal(row.offset))
        for i, row in enumerate(rows))
    return plan_of(Schema("unit", part(), (Group("settings", 1, Role.SETTING, 1.0, parameters),)),
                   (2,), (0,))


DECIMAL, REAL = ("decimal", "raw_of_decimal"), ("physical", "raw")
SMALL_DOUBLE = """
#include <float.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <limits.h>
#undef DBL_MANT_DIG
#define DBL_MANT_DIG FLT_MANT_DIG
#define double float
"""


def build(compiler: Compiler, folder: Path, prelude: str, real: Sequence[str]) -> ctypes.CDLL:
    """A library with every conversion; those in floating point of the types given."""
    write_store(folder, plan_with(ROWS))
    source = folder / "convert.c"
    text = [prelude, '#include "unit_params.h"\n']
    for i, row in enumerate(ROWS):
        if row.decimal:
            text.append(wrapper(f"p{i}", row, DECIMAL, row.decimal))
        if row.real in real:
            text.append(wrapper(f"p{i}", row, REAL, row.real))
    source.write_text("".join(text), "utf-8")
    flags = (*WARNINGS, *["-Wno-keyword-macro"] * bool(prelude))
    return ctypes.CDLL(str(compiler.library([source], folder / "convert", flags)))


@pytest.fixture(scope="module", params=host_compilers(), ids=lambda c: c.name)
def usual(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    return build(request.param, tmp_path_factory.mktemp("usual"), "", ("float", "double"))


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """Where `double` is `float`, as on an AVR."""
    return build(zig(), tmp_path_factory.mktemp("small"), SMALL_DOUBLE, ("float",))


def forth(library: ctypes.CDLL, name: str, row: Row, verb: str, kind: str,
          raws: Sequence[int]) -> list[Any]:
    given = np.array(raws, C[row.scalar])
    out = np.zeros(len(given), C[kind])
    getattr(library, f"{verb}_{name}")(given.ctypes, out.ctypes, len(given))
    return out.tolist()


def back(library: ctypes.CDLL, name: str, row: Row, verb: str, kind: str,
         values: Sequence[Any]) -> list[int | None]:
    """Raw values; None where PS_ERR_LIMIT came and the result was left alone."""
    given = np.array(values, C[kind])
    out, status = np.full(len(given), KEPT, C[row.scalar]), np.zeros(len(given), ctypes.c_int)
    getattr(library, f"{verb}_{name}")(given.ctypes, out.ctypes, status.ctypes, len(given))
    assert np.all((status == 0) | ((status == int(Status.ERR_LIMIT)) & (out == KEPT)))
    return [raw if good else None for raw, good in zip(out.tolist(), status == 0, strict=True)]


def with_decimals() -> list[Any]:
    return [pytest.param(i, id=IDS[i]) for i, row in enumerate(ROWS) if row.decimal]


@pytest.mark.parametrize("index", with_decimals())
def test_decimal_numbers_are_exact(usual: ctypes.CDLL, small: ctypes.CDLL, index: int) -> None:
    """raw x scale + offset in units of the last decimal, for every raw value; every decimal number
    goes back to the nearest raw value, half to even, or is refused."""
    row, name = ROWS[index], f"p{index}"
    _, factor, term = row.whole
    header = generate(plan_with(ROWS))["unit_params.h"]
    assert f"#define UNIT_SETTINGS_P{index}_DECIMALS {row.decimals}u\n" in header
    for library in (usual, small):
        numbers = forth(library, name, row, "decimal", row.decimal, row.raws)
        assert [raw * factor + term for raw in row.raws] == numbers
        step = abs(factor)
        around = {n + d for n in numbers[::7] for d in (
            0, step // 2 - 1, step // 2, step // 2 + 1, step - 1)}
        around |= {n - d for n in (min(numbers), max(numbers)) for d in range(-step - 2, step + 2)
                   } if step < 1000 else set()
        wide = SCALARS[row.decimal]
        asked = sorted(n for n in around | {int(wide.minimum), int(wide.maximum)}
                       if wide.minimum <= n <= wide.maximum)
        found = back(library, name, row, "raw_of_decimal", row.decimal, asked)
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


def with_real(*kinds: str) -> list[Any]:
    return [pytest.param(i, id=IDS[i]) for i, row in enumerate(ROWS) if row.real in kinds]


def check_real(library: ctypes.CDLL, index: int) -> None:
    row, name = ROWS[index], f"p{index}"
    real = np.float32 if row.real == "float" else np.float64

    def values(raws: Sequence[int], halves: int = 0) -> list[float]:
        """The nearest floating-point numbers; a double of a quotient of few digits has enough
        bits to be rounded again to a float."""
        ten, factor, term = row.whole
        return np.array([((2 * raw + halves) * factor + 2 * term) / (2 * ten) for raw in raws]
                        ).astype(real).tolist()

    physical = forth(library, name, row, "physical", row.real, row.raws)
    assert values(row.raws) == physical
    assert list(row.raws) == back(library, name, row, "raw", row.real, physical)
    middles = values(row.raws, halves=1)
    top = int(SCALARS[row.scalar].maximum)
    upper = [None if raw == top else raw + 1 for raw in row.raws]
    even = [raw if raw % 2 == 0 else above for raw, above in zip(row.raws, upper, strict=True)]
    assert even == back(library, name, row, "raw", row.real, middles)
    rising = Fraction(row.scale) > 0
    for towards, expected in ((np.inf, upper), (-np.inf, list(row.raws))):
        asked = np.nextafter(np.array(middles, real), real(towards if rising else -towards))
        assert expected == back(library, name, row, "raw", row.real, asked.tolist())
    beyond = values((int(SCALARS[row.scalar].minimum) - 1, top + 1))
    refused = [np.nan, np.inf, -np.inf, *beyond, float(np.finfo(real).max)]
    assert [None] * len(refused) == back(library, name, row, "raw", row.real, refused)


@pytest.mark.parametrize("index", with_real("float", "double"))
def test_floating_point_tells_every_value(usual: ctypes.CDLL, index: int) -> None:
    """The physical value is the one nearest to the exact decimal number; each raw value comes back;
    the middle of two gives the even one, the next number on either side the nearer one; a NaN, an
    infinity and what is beyond the integer are refused."""
    check_real(usual, index)


@pytest.mark.parametrize("index", with_real("float"))
def test_float_is_the_same_where_double_is_small(small: ctypes.CDLL, index: int) -> None:
    """What is done in float never relies on double."""
    check_real(small, index)


@pytest.mark.parametrize("index", with_real("float", "double"))
def test_a_decimal_number_gives_the_raw_value_that_pack_stores(usual: ctypes.CDLL,
                                                               index: int) -> None:
    """A number of as many digits as the type surely keeps (6 or 15), written in a values file or as
    a constant in C, becomes the same raw value; ties too."""
    row, chance = ROWS[index], random.Random(index)
    digits = 6 if row.real == "float" else 15
    asked = []
    for raw in chance.choices(row.raws, k=1000):
        with localcontext(prec=400):
            middle = (Decimal(raw) + Decimal("0.5")) * Decimal(row.scale) + Decimal(row.offset)
        near = Decimal(f"{middle:.{chance.randrange(1, digits)}e}")
        asked += [near, *([middle] if len(middle.normalize().as_tuple().digits) <= digits else [])]
    given = [float(a) for a in asked]
    assert [row.nearest(a) for a in asked] == back(usual, f"p{index}", row, "raw", row.real, given)


def test_what_double_of_4_bytes_cannot_tell_is_not_there(tmp_path: Path) -> None:
    """On an AVR the functions in double are missing, so that their use stops the build; those in
    decimal numbers are there, and nothing that rounds takes their place."""
    index = next(i for i, row in enumerate(ROWS) if row.scalar == "i32")
    write_store(tmp_path, plan_with(ROWS))
    avr = ("-target", "avr-freestanding", "-mmcu=atmega328p", "-Os", *WARNINGS)
    source = tmp_path / "use.c"
    use = ('#include "unit_params.h"\nint32_t use(int32_t raw);\n'
           "int32_t use(int32_t raw)\n{{ return (int32_t)unit_{}_settings_p{}(raw); }}\n")
    source.write_text(use.format("decimal", index), "utf-8")
    zig().object(source, tmp_path / "x.o", avr)
    source.write_text(use.format("physical", index), "utf-8")
    with pytest.raises(ToolError) as caught:
        zig().object(source, tmp_path / "x.o", avr)
    assert f"unit_physical_settings_p{index}" in caught.value.help


def test_a_header_without_floating_point(tmp_path: Path) -> None:
    """PS_NO_FLOAT leaves no floating-point type in the header, for kernels and the like."""
    write_store(tmp_path, plan_with(ROWS))
    source = tmp_path / "plain.c"
    source.write_text('#define PS_NO_FLOAT\n#define float no_such_type\n#define double no_such_type'
                      '\n#include "unit_params.h"\nint one;\n', "utf-8")
    zig().object(source, tmp_path / "x.o", (*WARNINGS, "-Wno-keyword-macro"))


def test_what_64_bits_do_not_hold_is_refused_by_name() -> None:
    """PS703 names the field whose physical values have no exact conversion, and says what to do."""
    wrong = [i for i, row in enumerate(ROWS) if not row.decimal]
    found = unconverted(plan_with(ROWS))
    assert [("PS703", f"`settings.p{i}`") for i in wrong] == [
        (f.code, f.message.partition(" ")[0]) for f in found]
    assert all("in your own code" in f.help for f in found)
    header = generate(plan_with(ROWS))["unit_params.h"]
    for i in wrong:
        assert f"decimal_settings_p{i}(" not in header
