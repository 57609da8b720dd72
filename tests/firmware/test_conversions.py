"""Raw to physical and back in C: every stored value returns, and nothing else gets in."""

from __future__ import annotations

import subprocess
from decimal import Decimal
from pathlib import Path

import pytest

from paramstore.rig.toolchain import Compiler
from paramstore.schema.model import Group, Role, Schema
from tests.codec.plans import one, part, plan_of
from tests.firmware.builds import host_compilers, write_store
from tests.firmware.sanitizers import watched

# Integer, scale, offset and the arithmetic that tells all its steps.
SCALES = (
    ("u8", "0.5", "-40", "float"),
    ("i8", "-0.25", "3.5", "float"),
    ("u16", "0.01", "0", "float"),
    ("i16", "0.01", "273.15", "float"),
    ("u16", "0.0001", "104.8576", "float"),   # 2**20 steps of offset
    ("u16", "0.0001", "104.8577", "double"),  # and one more
    ("i16", "-0.001", "-900", "float"),
    ("u16", "1e-40", "0", "double"),
    ("u32", "0.001", "-1000", "double"),
    ("i32", "0.0625", "20", "double"),
)
WIDE = (("u64", "0.5", "0", "double"), ("i64", "2", "0", "double"))

TYPES = {"u8": ("uint8_t", "UINT8_MAX", "0"), "i8": ("int8_t", "INT8_MAX", "INT8_MIN"),
         "u16": ("uint16_t", "UINT16_MAX", "0"), "i16": ("int16_t", "INT16_MAX", "INT16_MIN"),
         "u32": ("uint32_t", "UINT32_MAX", "0"), "i32": ("int32_t", "INT32_MAX", "INT32_MIN"),
         "u64": ("uint64_t", "UINT64_MAX", "0"), "i64": ("int64_t", "INT64_MAX", "INT64_MIN")}

# All values of the type, or as many steps through it; then what no value stands for.
CHECK = """
static int check_NAME(void)
{
    const REAL half = (REAL)SCALE / 2;
    const REAL all[] = { (REAL)NAN, (REAL)INFINITY, -(REAL)INFINITY, BEYOND };
    const RAW_T low = LOW, high = HIGH;
    RAW_T value = low, back = 0;
    unsigned i;
    for (;;) {
        const REAL physical = unit_physical_settings_NAME(value);
        if (unit_raw_settings_NAME(physical, &back) != PS_OK || back != value) return 1;
        if (unit_raw_settings_NAME(physical + half * (REAL)0.8, &back) != PS_OK
                || back != value) return 2;
        if (unit_raw_settings_NAME(physical - half * (REAL)0.8, &back) != PS_OK
                || back != value) return 3;
        if (value > high - STEP) break;
        value = (RAW_T)(value + STEP);
    }
    for (i = 0; i < sizeof all / sizeof all[0]; ++i) {
        back = 77;
        if (unit_raw_settings_NAME(all[i], &back) != PS_ERR_LIMIT || back != 77) return 4;
    }
    return 0;
}
"""


def check(name: str, scalar: str, scale: str, offset: str, real: str) -> str:
    """The C that tries one parameter; 64-bit ones only near 0, as a double is narrower."""
    c_type, high, low = TYPES[scalar]
    size = int(scalar[1:])
    lower, upper = (0, 2**size - 1) if scalar[0] == "u" else (-2**(size - 1), 2**(size - 1) - 1)
    if size == 64:
        low, high = str(max(lower, -1000)), "1000"
        lower, upper = 2 * lower, 2 * upper
    beyond = (float(n * Decimal(scale) + Decimal(offset)) for n in (lower - 1, upper + 1))
    text = CHECK
    for mark, value in (
        ("NAME", name), ("RAW_T", c_type), ("SCALE", scale), ("LOW", low), ("HIGH", high),
        ("BEYOND", ", ".join(f"(REAL){b!r}" for b in beyond)), ("REAL", real),
        ("STEP", "65521" if size == 32 else "1"),
    ):
        text = text.replace(mark, value)
    return text


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
def test_every_stored_value_returns(compiler: Compiler, tmp_path: Path) -> None:
    """From the middle of its step and from near both ends; a NaN, an infinity and what is beyond
    the integer are refused and leave the result alone."""
    rows = [(f"p{i}", *row) for i, row in enumerate((*SCALES, *WIDE))]
    parameters = tuple(one(name, scalar, 0, scale=Decimal(scale), offset=Decimal(offset))
                       for name, scalar, scale, offset, _ in rows)
    plan = plan_of(Schema("unit", part(), (Group("settings", 1, Role.SETTING, 1.0, parameters),)),
                   (2,), (0,))
    write_store(tmp_path, plan)
    header = (tmp_path / "unit_params.h").read_text("utf-8")
    for name, *_, real in rows:
        assert f"static inline {real} unit_physical_settings_{name}(" in header
    source = tmp_path / "convert.c"
    calls = "".join(f"    if ((r = check_{row[0]}()) != 0) return {10 * i} + r;\n"
                    for i, row in enumerate(rows, 1))
    source.write_text('#include "unit_params.h"\n#include <math.h>\n'
                      + "".join(check(*row) for row in rows)
                      + f"int main(void)\n{{\n    int r;\n{calls}    return 0;\n}}\n", "utf-8")
    program = compiler.program([source], tmp_path / "convert", (*watched(compiler), "-std=c99"))
    done = subprocess.run([program], check=False, capture_output=True, text=True)
    assert 0 == done.returncode, (rows[done.returncode // 10 - 1], done.returncode, done.stderr)
