"""Scalar types against numpy and `struct`."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.scalars import HALF, SCALARS, ScalarForm, round_f32, scalar_named

KINDS = {"u": ScalarForm.UNSIGNED, "i": ScalarForm.SIGNED, "f": ScalarForm.FLOAT}


@pytest.mark.parametrize("name", [*SCALARS, HALF.name])
def test_limits_are_those_of_numpy(name: str) -> None:
    """Size, form and the least and greatest finite value of the type of that name."""
    scalar = scalar_named(name)
    dtype = np.dtype(f"<{name[0]}{int(name[1:]) // 8}")
    info = np.finfo(dtype) if name[0] == "f" else np.iinfo(dtype)
    assert (name, KINDS[name[0]], dtype.itemsize) == (scalar.name, scalar.form, scalar.size)
    assert (info.min, info.max) == (scalar.minimum, scalar.maximum)
    for raw in (scalar.minimum, scalar.maximum):
        assert np.array([raw], dtype).tobytes() == scalar.pack(raw)
        assert raw == scalar.unpack(scalar.pack(raw))


def test_a_store_has_no_half() -> None:
    """Only layouts of others do."""
    assert "f16" not in SCALARS and scalar_named("f16") is HALF
    with pytest.raises(KeyError):
        scalar_named("f8")


@given(st.floats(width=32, allow_nan=False))
def test_an_f32_is_its_own_nearest(value: float) -> None:
    """And a number beside it comes back to it; beyond the range there is none."""
    assert value == round_f32(value)
    assert round_f32(0.1) == float(np.float32(0.1)) != 0.1
    with pytest.raises(OverflowError):
        round_f32(2 * SCALARS["f32"].maximum)


@pytest.mark.parametrize("name", SCALARS)
def test_what_does_not_fit_is_refused(name: str) -> None:
    """By the type itself."""
    scalar = SCALARS[name]
    if scalar.form is not ScalarForm.FLOAT:
        with pytest.raises(struct.error):
            scalar.pack(int(scalar.maximum) + 1)
