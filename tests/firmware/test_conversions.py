"""Raw to physical and back in C, against Python's exact numbers.

Every value of 8 and 16 bits, limits and many values of wider ones; in whole decimal units, and in
float and double; also where `double` has 4 bytes.
"""

from __future__ import annotations

import ctypes
import random
from collections.abc import Sequence
from decimal import Decimal, localcontext
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from paramstore.core.errors import ToolError
from paramstore.core.status import Status
from paramstore.firmware.generate import generate
from paramstore.firmware.physical import unconverted
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.firmware.builds import host_compilers, write_store, zig
from tests.firmware.conversions import IDS, ROWS, Row, check_decimals, check_real, plan_with

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


class Native:
    """`tests.firmware.conversions.Converter` on this computer."""

    def __init__(self, library: Path) -> None:
        self._c = ctypes.CDLL(str(library))

    def forth(self, name: str, row: Row, verb: str, kind: str, raws: Sequence[int]) -> list[Any]:
        given = np.array(raws, C[row.scalar])
        out = np.zeros(len(given), C[kind])
        getattr(self._c, f"{verb}_{name}")(given.ctypes, out.ctypes, len(given))
        return out.tolist()

    def back(self, name: str, row: Row, verb: str, kind: str,
             values: Sequence[Any]) -> list[int | None]:
        given = np.array(values, C[kind])
        out, status = np.full(len(given), KEPT, C[row.scalar]), np.zeros(len(given), ctypes.c_int)
        getattr(self._c, f"{verb}_{name}")(given.ctypes, out.ctypes, status.ctypes, len(given))
        assert np.all((status == 0) | ((status == int(Status.ERR_LIMIT)) & (out == KEPT)))
        return [raw if good else None for raw, good in zip(out.tolist(), status == 0, strict=True)]


def build(compiler: Compiler, folder: Path, prelude: str, real: Sequence[str]) -> Native:
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
    return Native(compiler.library([source], folder / "convert", flags))


@pytest.fixture(scope="module", params=host_compilers(), ids=lambda c: c.name)
def usual(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Native:
    return build(request.param, tmp_path_factory.mktemp("usual"), "", ("float", "double"))


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Native:
    """Where `double` is `float`, as on an AVR."""
    return build(zig(), tmp_path_factory.mktemp("small"), SMALL_DOUBLE, ("float",))


def with_decimals() -> list[Any]:
    return [pytest.param(i, id=IDS[i]) for i, row in enumerate(ROWS) if row.decimal]


@pytest.mark.parametrize("index", with_decimals())
def test_decimal_numbers_are_exact(usual: Native, small: Native, index: int) -> None:
    """raw x scale + offset in units of the last decimal, for every raw value; every decimal number
    goes back to the nearest raw value, half to even, or is refused."""
    row = ROWS[index]
    header = generate(plan_with(ROWS))["unit_params.h"]
    assert f"#define UNIT_SETTINGS_P{index}_DECIMALS {row.decimals}u\n" in header
    for library in (usual, small):
        check_decimals(library, row, f"p{index}", row.raws)


def with_real(*kinds: str) -> list[Any]:
    return [pytest.param(i, id=IDS[i]) for i, row in enumerate(ROWS) if row.real in kinds]


@pytest.mark.parametrize("index", with_real("float", "double"))
def test_floating_point_tells_every_value(usual: Native, index: int) -> None:
    """There and back in floating point: see `check_real`."""
    check_real(usual, ROWS[index], f"p{index}", ROWS[index].raws)


@pytest.mark.parametrize("index", with_real("float"))
def test_float_is_the_same_where_double_is_small(small: Native, index: int) -> None:
    """What is done in float never relies on double."""
    check_real(small, ROWS[index], f"p{index}", ROWS[index].raws)


@pytest.mark.parametrize("index", with_real("float", "double"))
def test_a_decimal_number_gives_the_raw_value_that_pack_stores(usual: Native,
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
    assert [row.nearest(a) for a in asked] == usual.back(f"p{index}", row, "raw",
                                                          row.real, given)


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
