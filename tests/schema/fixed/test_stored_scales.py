"""Scales that an image stores: where they are taken from, and which are scales at all.

Expected values are published ones, their source beside them, or made here by other means. All
example data are invented.
"""

from __future__ import annotations

import struct
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.inspect.fixed import faults_in
from paramstore.schema.fixed.contents import read_image
from tests.schema.fixed.test_contents import findings_of, layout_of, read, value


@pytest.mark.parametrize(("lines", "image", "expected"), [
    ('step = { type = "f32", at = 0 }\n'
     'a = { type = "i16", at = 4, scale_from = "step" }', struct.pack("<fh", 0.125, -20),
     Decimal("-2.5")),
    ('power = { type = "i8", at = 2 }\n'
     'a = { type = "u16", at = 0, scale_from = "power", base = 10 }', struct.pack("<Hb", 2512, -3),
     Decimal("2.512")),
    # A mantissa of 11 bits and an exponent of 5, both two's complement: value = Y x 2^N
    # (the linear data format of PMBus part II, from memory).
    ('exponent = { type = "i8", bits = ["1.7-3"] }\n'
     'a = { type = "i16", bits = ["1.2-0", "0"], scale_from = "exponent", base = 2 }',
     (0b11110 << 11 | 0x102).to_bytes(2, "little"), Decimal("64.5")),
    ('power = { type = "i8", at = 2 }\n'
     'a = { type = "u8", at = 0, count = 2, scale = 5, scale_from = "demo.power", base = 10 }',
     struct.pack("<BBb", 1, 2, 2), [500, 1000]),
])
def test_a_scale_is_taken_from_another_parameter(lines: str, image: bytes, expected: Any) -> None:
    """What is stored is multiplied by what another parameter holds, or by a power of a base."""
    assert expected == value(read(lines, image), "a")


@pytest.mark.parametrize("step", [float("nan"), 0.0, float("inf"), 1e-38])
def test_a_scale_that_is_none(step: float) -> None:
    """Without a scale of use there is no value, and that is told."""
    found = read('step = { type = "f32", at = 0 }\n'
                 'a = { type = "i16", at = 4, scale_from = "step" }', struct.pack("<fh", step, -20))
    assert "a" not in found.values
    assert ["`a` holds 0xFFEC, which is no value without its scale"] == list(
        faults_in(found, found.group.item("a")))


@given(st.integers(0, 2**64 - 1), st.integers(1, 10**15), st.integers(0, 15), st.integers(1, 255))
def test_a_scale_that_is_stored_is_exact(factor: int, digits: int, places: int, raw: int) -> None:
    """To the last digit, however many the product has."""
    scale = Decimal(digits).scaleb(-places)
    found = read(f'step = {{ type = "u64", at = 0 }}\n'
                 f'a = {{ type = "u8", at = 8, scale = {scale:f}, scale_from = "step" }}',
                 struct.pack("<QB", factor, raw))
    if factor:
        assert Fraction(factor) * Fraction(scale) == Fraction(found.group.item("a").field.scale)
        assert found.group.item("a").scale_place == found.group.item("step").places[0]
    else:
        assert "a" in found.faulty


@pytest.mark.parametrize(("base", "power", "scale"), [
    (10, 30, "1e30"), (10, 31, None), (10, -30, "1e-30"), (10, -31, None), (2, 99, 2**99),
    (2, 100, None), (16, 127, None), (16, -128, None), (2, -99, Fraction(1, 2**99))])
def test_a_power_within_30_decades_is_a_scale(base: int, power: int, scale: Any) -> None:
    """Beyond there is no physical quantity."""
    found = read(f'power = {{ type = "i8", at = 0 }}\n'
                 f'a = {{ type = "u8", at = 1, scale_from = "power", base = {base} }}',
                 struct.pack("<bB", power, 1))
    assert ("a" in found.values) == (scale is not None)
    if scale is not None:
        assert Fraction(scale) == Fraction(found.group.item("a").field.scale)


@pytest.mark.parametrize(("step", "there"), [
    (1e30, True), (-1e30, True), (1.0000001e30, False), (1e-30, True), (0.9999999e-30, False),
    (float("inf"), False), (float("-inf"), False), (float("nan"), False)])
@pytest.mark.parametrize("base", ["", ", base = 2"])
def test_a_step_within_30_decades_is_a_scale(step: float, there: bool, base: str) -> None:
    """Negative ones too; as a power they are all too large, or about nothing."""
    found = read(f'step = {{ type = "f64", at = 0 }}\n'
                 f'a = {{ type = "u8", at = 8, scale_from = "step"{base} }}',
                 struct.pack("<dB", step, 1))
    assert (there if not base else abs(step) < 1) == ("a" in found.values)


def test_a_half_is_a_scale_as_it_is() -> None:
    """Its neighbours are so far apart that the short number for one would be another step."""
    found = read('step = { type = "f16", at = 0 }\n'
                 'a = { type = "u8", at = 2, scale_from = "step" }', struct.pack("<eB", 0.1, 1))
    assert Decimal("0.0999755859375") == found.group.item("a").field.scale


def test_a_scale_that_is_not_there() -> None:
    """In a group that is not there, beyond the end, or itself no value: there is no value."""
    layout = layout_of('when = { bits = ["0"], is = 1 }\n[group.head.parameter]\n'
                       'step = { type = "u8", at = 1, none = 0xFF }\n[group.demo.parameter]\n'
                       'a = { type = "u8", at = 2, scale_from = "head.step" }', head="[group.head]")
    for image, there in ((b"\1\5\7", True), (b"\0\5\7", False), (b"\1\xff\7", False)):
        assert there == ("a" in read_image(layout, image.ljust(24, b"\0")).group("demo").values)
    last = read('a = { type = "u8", at = 0, scale_from = "step" }\nstep = { type = "u8", at = 1 }',
                b"\5\6")
    assert 30 == value(last, "a")
    cut = read_image(layout, b"\1\5\7".ljust(24, b"\0"), ((1, 2),))
    assert "a" in cut.group("demo").faulty


def test_a_wrong_scale_of_a_repeated_block_is_told_once() -> None:
    """Not once for each of its copies."""
    found = findings_of('v = { type = "u8", at = 0, scale_from = "nothing" }',
                        "[group.demo]\nat = 0\ncount = 3\nevery = 4\n[group.demo.parameter]")
    assert ["PS365"] == [code for code, _ in found]


def test_a_scale_is_taken_from_another_group() -> None:
    """By the name of the group, and of the parameter there."""
    layout = layout_of('power = { type = "i8", at = 1 }\n[group.demo.parameter]\n'
                       'a = { type = "u8", at = 0, scale_from = "head.power", base = 10 }',
                       head="[group.head.parameter]")
    found = read_image(layout, bytes([7, 3]).ljust(24, b"\0"))
    assert 7000 == value(found.group("demo"), "a")
