"""Reading with `struct` and with construct is the same, byte for byte, for every shape."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS
from paramstore.record.shapes import (
    CodecError,
    Shape,
    label_shape,
    payload_shape,
    record_shape,
)

SCALAR = st.sampled_from(sorted(SCALARS))
PAYLOADS = st.lists(st.tuples(SCALAR, st.integers(1, 5)), min_size=1, max_size=6).map(
    lambda fields: payload_shape(tuple(
        (f"f{i}.x", SCALARS[name], count) for i, (name, count) in enumerate(fields))))
SHAPES = st.one_of(PAYLOADS, st.sampled_from([4, 12]).map(label_shape),
                   st.integers(1, 80).map(record_shape))


def exact(value: Any) -> Any:
    """A value by its bits: NaN is what it is, and -0.0 is not 0.0."""
    if isinstance(value, float):
        return struct.pack("<d", value)
    return [exact(v) for v in value] if isinstance(value, list | tuple) else value


@given(SHAPES, st.data())
def test_both_read_the_same(shape: Shape, data: st.DataObject) -> None:
    """Any bytes mean the same parts to `struct` and to the construct that is declared."""
    content = data.draw(st.binary(min_size=shape.size, max_size=shape.size + 3))
    declared = shape.declaration.parse(content)
    assert {p.name: exact(list(v) if isinstance(v := declared[p.name], list) else v)
            for p in shape.parts} == {n: exact(v) for n, v in shape.parse(content).items()}
    assert shape.declaration.sizeof() == shape.size
    for part in shape.parts:
        place = shape.places[part.name]
        cut = shape.declaration.parse(content)[part.name]
        alone = Shape(part).declaration.parse(content[place])[part.name]
        assert exact(cut) == exact(alone) and place.stop - place.start == part.bytes


@given(SHAPES, st.data())
def test_what_is_read_is_built_again(shape: Shape, data: st.DataObject) -> None:
    """Parts of any bytes build these bytes (but for the payload of a NaN, which the format bans).
    """
    content = data.draw(st.binary(min_size=shape.size, max_size=shape.size))
    parts = shape.parse(content)
    values = [v for p in parts.values() for v in (p if isinstance(p, tuple) else [p])]
    if all(v == v for v in values):
        assert content == shape.build(parts)


@given(SHAPES, st.data())
def test_bytes_too_few_are_told_with_their_part(shape: Shape, data: st.DataObject) -> None:
    """The part in which the bytes end is named, with its offset."""
    size = data.draw(st.integers(0, shape.size - 1))
    with pytest.raises(CodecError) as caught:
        shape.parse(bytes(size))
    ends = dict(zip((p.name for p in shape.parts), _ends(shape), strict=True))
    assert caught.value.offset <= size < ends[caught.value.field]


def _ends(shape: Shape) -> list[int]:
    ends, at = [], 0
    for part in shape.parts:
        at += part.bytes
        ends.append(at)
    return ends
