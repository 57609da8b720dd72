"""Texts to raws many at once: what `test_bulk` cannot show."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from paramstore.core.scalars import SCALARS
from paramstore.production.numbers import converter, number_texts
from paramstore.schema.model import Field, Kind, ValueLimits
from paramstore.schema.to_raw import ValueProblem, check_limits
from paramstore.schema.to_raw import physical_to_raw as to_raw

F32 = Field("x", Kind.FLOAT, SCALARS["f32"], 1, (0.0,))
I16 = Field("x", Kind.INTEGER, SCALARS["i16"], 1, (0,), scale=Decimal("0.01"))


@pytest.mark.parametrize("field", [F32, I16])
def test_one_text_among_thousands_is_found(field: Field) -> None:
    """Zeros that a pattern could take in several ways do not make it try them all."""
    convert = converter(field)
    assert convert is not None
    for last in ("x", "12345678.9012"):
        usual = convert(["0.00"] * 5000 + [last, "000000.00"]).usual
        assert [5000] == np.flatnonzero(~usual).tolist()


def test_what_cannot_be_exact_is_left_alone() -> None:
    """A scale of many digits, one below zero, words: each cell needs a look of its own."""
    assert None is converter(replace(I16, scale=Decimal("1e-12")))
    assert None is converter(replace(I16, scale=Decimal("-0.01")))
    assert None is converter(replace(I16, kind=Kind.DATE, scale=Decimal(1)))


@pytest.mark.parametrize("more", [
    {}, {"scale": Decimal("0.5")}, {"offset": Decimal("-12.5"), "scale": Decimal("0.25")},
    {"offset": Decimal("0.3"), "scale": Decimal("0.1")}, {"offset": Decimal(40)},
    {"limits": ValueLimits(((-5, 5), (10, 20)))}])
def test_many_at_once_are_what_each_is_alone(more: dict[str, Any]) -> None:
    """Numbers about every limit, step and half step: the same raws and losses, or left alone."""
    field = replace(I16, **{"scale": Decimal(1)} | more)
    convert = converter(field)
    assert convert is not None
    texts = [str(Decimal(n) / 40) for n in range(-1000, 1001)]
    texts += [str(field.offset + raw * field.scale) for raw in (-32768, -32769, 32767, 32768)]
    found = convert(texts)
    for index, text in enumerate(texts):
        try:
            alone = to_raw(field, Decimal(text))
            check_limits(field, alone.raws)
        except ValueProblem:
            assert not found.usual[index], text
            continue
        assert found.usual[index], text
        assert alone.raws == (found.raws[index],), text
        moved = 0 if found.moved is None else found.moved[index]
        assert [float(loss.error) for loss in alone.losses] == ([moved] if moved else []), text


def test_an_f64_keeps_what_a_float_keeps() -> None:
    """Numbers of up to 7 digits before the point and 8 behind it."""
    convert = converter(replace(F32, scalar=SCALARS["f64"]))
    assert convert is not None
    texts = ["0.1", "1234567.12345678", "-7e-20", "1e99"]
    found = convert(texts)
    assert ([True] * 4, None) == (found.usual.tolist(), found.moved)
    assert list(map(float, texts)) == found.raws.tolist()


def test_half_way_between_two_f32_needs_a_look() -> None:
    """From 2 to the 23rd on an f32 has whole numbers only."""
    convert = converter(F32)
    assert convert is not None
    assert [True, False, False, True] == convert(
        ["8388608", "8388608.5", "8388609.5", "8388608.25"]).usual.tolist()


def test_numbers_are_written_in_one_way() -> None:
    """As all texts of numbers are; what is not usual stays as it was written."""
    texts = ["1", "01", "1.50", "-0", "2e3", "about 2", "+7"]
    usual = np.array([True, True, True, True, True, False, True])
    assert ["1", "1", "1.5", "0", "2000", "about 2", "7"] == list(number_texts(texts, usual))
    assert ["1", "2.5"] == list(number_texts(["1", "2.5"], usual[:2]))


def test_what_an_f32_does_not_keep_is_told() -> None:
    """By how much the number that comes back is another one; nothing of those that stay."""
    convert = converter(F32)
    assert convert is not None
    assert None is convert(["0.5", "12.3456"]).moved
    given = ["0.5", "123.456789", "0.25", "16777217"]
    found = convert(given)
    assert not found.usual[3]  # half-way between two: looked at on its own
    assert found.moved is not None
    assert found.moved.tolist() == pytest.approx([0, 0.000001, 0, 0])  # comes back as 123.45679
