"""Limits: `min` and `max` leave exactly the raw values whose physical ones lie between them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, SourceText
from paramstore.schema.model import Convert, Field
from paramstore.schema.reader import read_schema

HEAD = """[store]
name = "demo"
part = "24LC32A"
[group.settings]
role = "setting"
writes = "2 per week"
[group.settings.parameter]
"""


def field(line: str) -> Field:
    schema, _ = read_schema(SourceText("t.toml", HEAD + line))
    return schema.groups[0].parameters[0].fields[0]


def codes(line: str) -> list[str]:
    with pytest.raises(FindingsError) as caught:
        field(line)
    return [f.code for f in caught.value.findings]


@given(st.sampled_from(["0.5", "0.3", "-0.1", "2", "1"]), st.sampled_from(["0", "-3", "0.05"]),
       st.decimals(-40, 40, places=2), st.decimals(-40, 40, places=2))
@settings(max_examples=120)
def test_limits_are_rounded_inwards(scale: str, offset: str, low: Decimal, high: Decimal) -> None:
    """Whatever the step, its sign, and the offset; with no value left between them, or with one
    that the type cannot hold, they are refused."""
    step, zero = Decimal(scale), Decimal(offset)
    inside = [raw for raw in range(-1000, 1001) if low <= raw * step + zero <= high]
    line = (f'x = {{ type = "i8", scale = {scale}, offset = {offset}, min = {low}, max = {high}, '
            f"default = {(inside[0] if inside else 0) * step + zero} }}")
    ends = [raw for raw in inside if raw in (min(inside), max(inside))]
    if inside and -128 <= ends[0] and ends[-1] <= 127:
        assert ((ends[0], ends[-1]),) == field(line).limits.ranges
    else:
        assert {"PS203", "PS204", "PS223"} & set(codes(line))


@pytest.mark.parametrize(("line", "whole"), [
    ('x = { type = "u8", min = 0, max = 255 }', True),
    ('x = { type = "u8", min = 1, max = 255, default = 1 }', False),
    ('x = { type = "u8", max = 254 }', False),
    ('x = { type = "u8" }', True)])
def test_limits_of_the_whole_type_are_none(line: str, whole: bool) -> None:
    """They say nothing."""
    assert whole is (field(line).limits.ranges == ())


@pytest.mark.parametrize(("low", "high", "code"), [
    ("3", "3", None), ("3.1", "3", "PS203"), ("3.1", "3.4", "PS223"), ("-1", "3", "PS204"),
    ("0", "300", "PS204")])
def test_limits_that_leave_nothing_are_told_apart(low: str, high: str, code: str | None) -> None:
    """The wrong way round, between two steps, or beyond the type."""
    line = f'x = {{ type = "u8", scale = 1, min = {low}, max = {high}, default = 3 }}'
    if code is None:
        assert ((3, 3),) == field(line).limits.ranges
    else:
        assert code in codes(line)


@pytest.mark.parametrize(("convert", "expected"), [
    ("{ factor = 1e30 }", Convert(Decimal("1e30"), Decimal(0), Decimal(1))),
    ("{ factor = -1e-30, offset = 0 }", Convert(Decimal("-1e-30"), Decimal(0), Decimal(1))),
    ("{ divisor = 3, offset = -1e30 }", Convert(Decimal(1), Decimal("-1e30"), Decimal(3))),
    ("{ factor = 1.1e30 }", None), ("{ factor = 0.9e-30 }", None), ("{ factor = 0 }", None),
    ("{ divisor = 0 }", None), ("{ offset = inf }", None), ("{ offset = 0.9e-30 }", None)])
def test_a_conversion_is_within_30_decades(convert: str, expected: Convert | None) -> None:
    """Only its offset may be 0."""
    line = f'x = {{ type = "u8", convert = {convert} }}'
    if expected is None:
        assert ["PS207"] == codes(line)
    else:
        assert expected == field(line).convert
