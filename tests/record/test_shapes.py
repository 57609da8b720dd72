"""Shapes read and write as construct, a library for binary formats, does: for every shape and any
bytes."""

from __future__ import annotations

import struct
from typing import Any

import construct
import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.scalars import SCALARS
from paramstore.record.shapes import (
    CodecError,
    Shape,
    ShapePart,
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


def declared(*parts: ShapePart) -> Any:
    """The construct with these parts."""
    return construct.Struct(*(p.name / _declared(p) for p in parts))


def _declared(part: ShapePart) -> Any:
    if part.scalar is None:
        return construct.Bytes(part.size)
    kind = {"f32": "Float32l", "f64": "Float64l"}.get(part.scalar.name) or (
        f"Int{8 * part.scalar.size}{'s' if part.scalar.minimum < 0 else 'u'}l")
    scalar = getattr(construct, kind)
    return scalar if part.elements is None else construct.Array(part.elements, scalar)


NUMBERS = st.one_of(st.integers(0, 100), st.sampled_from(
    [e for s in SCALARS.values() for e in (s.minimum, s.maximum)]), st.sampled_from(
    [-1, 2**31, 2**32, 2**64, -2**63 - 1, 65535, 65520.0, 3.5e38, 1e308, float("nan"), 0.1]))
"""Mostly what fits anything, and what just does or does not."""


def _values(part: ShapePart) -> st.SearchStrategy[Any]:
    """Values for a part, most of them of its length."""
    if part.scalar is None:
        return st.integers(0, 9).flatmap(
            lambda n: st.binary(min_size=part.size + (n == 1), max_size=part.size + (n == 1))
            if n else st.binary(max_size=part.size))
    if part.elements is None:
        return NUMBERS
    return st.integers(0, 9).flatmap(lambda n: st.tuples(
        *[NUMBERS] * (part.elements + {0: 1, 1: -1}.get(n, 0))))


@given(SHAPES, st.data())
def test_both_read_the_same(shape: Shape, data: st.DataObject) -> None:
    """Any bytes mean the same parts."""
    content = data.draw(st.binary(min_size=shape.size, max_size=shape.size + 3))
    reference = declared(*shape.parts)
    parsed = reference.parse(content)
    assert {p.name: exact(list(v) if isinstance(v := parsed[p.name], list) else v)
            for p in shape.parts} == {n: exact(v) for n, v in shape.parse(content).items()}
    assert reference.sizeof() == shape.size
    for part in shape.parts:
        place = shape.places[part.name]
        alone = declared(part).parse(content[place])[part.name]
        assert exact(parsed[part.name]) == exact(alone) and place.stop - place.start == part.bytes


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
def test_both_write_the_same(shape: Shape, data: st.DataObject) -> None:
    """Numbers near the ends of what fits, and texts of any length: the same bytes, or both refuse,
    and the part that does not fit is named with its place."""
    parts = {part.name: data.draw(_values(part)) for part in shape.parts}
    try:
        wanted = declared(*shape.parts).build(parts)
    except construct.ConstructError:
        with pytest.raises(CodecError) as caught:
            shape.build(parts)
        assert caught.value.offset == shape.places[caught.value.field].start
    else:
        assert wanted == shape.build(parts)


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
