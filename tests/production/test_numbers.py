"""Texts to raws many at once: what `test_bulk` cannot show."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from paramstore.core.scalars import SCALARS
from paramstore.production.numbers import converter
from paramstore.schema.model import Field, Kind

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
