"""C spelling: what a compiler reads is what was meant, and no text escapes its comment."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS, ScalarForm
from paramstore.firmware.spelling import (
    comment_lines,
    comment_text,
    hex_bytes,
    literal,
    macro_name,
    mask_literal,
    real_literal,
    reserved,
)
from paramstore.verify.rig.toolchain import WARNINGS, Compiler
from tests.firmware.builds import host_compilers

NASTY = st.text(
    st.sampled_from("*/\\?\n\r\t =('!<>-ab°\u202e\u2028\u200b\x00\x1b\ud800"), max_size=60)


@pytest.mark.parametrize(("name", "value", "text"), [
    ("u8", 255, "255u"),
    ("u16", 65535, "65535u"),
    ("u32", 70000, "70000uL"),
    ("u64", 1, "1uLL"),
    ("i8", -128, "(-128)"),
    ("i16", -32768, "(-32767 - 1)"),
    ("i32", -2147483648, "(-2147483647L - 1)"),
    ("i64", -(2**63), "(-9223372036854775807LL - 1)"),
    ("i16", 5, "5"),
    ("f32", -59.15999984741211, "(-59.16f)"),
    ("f32", 70.0, "70.0f"),
    ("f64", 0.1, "0.1"),
])
def test_literals_fit_their_type_even_with_16_bit_int(name: str, value: float, text: str) -> None:
    """A literal names its width, and the most negative number is no overflow."""
    assert text == literal(SCALARS[name], value)


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_float_literal_reads_back_as_the_same_float(value: float) -> None:
    """The short decimal rounds to the stored binary32, bit for bit."""
    text = real_literal(value, single=True)
    assert text.endswith("f") and ("." in text or "e" in text)
    assert struct.pack("<f", value) == struct.pack("<f", float(text[:-1]))


@given(NASTY)
def test_no_text_ends_its_comment_or_joins_lines(text: str) -> None:
    """A text stays inside its comment, on one line, whatever stands in it."""
    safe = comment_text(text)
    assert not any(mark in safe for mark in ("*/", "/*", "??", "\n", "\r", "\u202e", "\x00"))
    assert all(not line.endswith("\\") for line in comment_lines([text], 20))
    assert all(len(line) <= 20 + 1 for line in comment_lines([text], 20))


def test_every_character_that_may_be_shown_is_kept() -> None:
    """Units and names in other alphabets come through."""
    assert "µS/cm °C 温度 a b" == comment_text("µS/cm\t°C 温度\n a b")


@pytest.mark.parametrize("compiler", host_compilers(), ids=lambda c: c.name)
def test_a_compiler_reads_every_literal_as_its_value(compiler: Compiler, tmp_path: Path) -> None:
    """The edge values of every scalar, judged by a real compiler."""
    lines = ["#include <float.h>", "#include <stdint.h>",
             "#define SAME(a, b) typedef char NAME(__LINE__)[(a) == (b) ? 1 : -1]",
             "#define NAME(line) NAME_(line)", "#define NAME_(line) at_line_##line"]
    limits = {"u8": "UINT8_MAX", "u16": "UINT16_MAX", "u32": "UINT32_MAX", "u64": "UINT64_MAX",
              "i8": "INT8_MIN", "i16": "INT16_MIN", "i32": "INT32_MIN", "i64": "INT64_MIN"}
    for name, limit in limits.items():
        scalar = SCALARS[name]
        edge = scalar.maximum if scalar.form is ScalarForm.UNSIGNED else scalar.minimum
        lines.append(f"SAME({literal(scalar, edge)}, {limit});")
    lines.append(f"const float most_f32 = {literal(SCALARS['f32'], SCALARS['f32'].maximum)};")
    lines.append(f"const double most_f64 = {literal(SCALARS['f64'], SCALARS['f64'].maximum)};")
    lines.append(f"SAME({mask_literal(SCALARS['u64'], 1 << 63)} >> 63, 1);")
    source = tmp_path / "literals.c"
    source.write_text("\n".join(lines) + "\n", "utf-8")
    assert compiler.object(source, tmp_path / "literals.o", WARNINGS).exists()


def test_bytes_are_written_twelve_to_a_line() -> None:
    """Tables stay readable."""
    assert ["0x00, 0x01, 0x02,", "0x03,"] == hex_bytes(bytes(range(4)), per_line=3)
    assert 12 == hex_bytes(bytes(30))[0].count("0x")


def test_constants_are_upper_case_identifiers() -> None:
    """What an identifier cannot hold becomes an underscore."""
    assert "TANK_PROBE_A_B" == macro_name("tank_probe", "a.b")


@pytest.mark.parametrize("name", ["size_t", "uint8_t", "int_least16_t", "ps_init", "PS_OK",
                                  "static_cast", "char8_t"])
def test_names_of_the_language_and_the_runtime_are_reserved(name: str) -> None:
    """A store may not define a name that C, C++ or the runtime has."""
    assert reserved(name)
    assert not reserved("tank_probe_t")
