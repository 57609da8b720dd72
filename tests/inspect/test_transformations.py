"""How else a dump may lie: each way against a list of bytes, None where none was read."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import Severity, SourceText
from paramstore.files.forms import Dump
from paramstore.inspect.transformations import transformations, without

SOURCE = SourceText("x", "")
Bytes = list[int | None]


def dump_of(model: Bytes) -> Dump:
    holes = [i for i, byte in enumerate(model) if byte is None]
    gaps: list[tuple[int, int]] = []
    for hole in holes:
        if gaps and gaps[-1][1] == hole:
            gaps[-1] = gaps[-1][0], hole + 1
        else:
            gaps.append((hole, hole + 1))
    return Dump(bytes(0xFF if b is None else b for b in model), tuple(gaps))


def model_of(dump: Dump) -> Bytes:
    """Read a dump back; its gaps are in order, apart, and within it."""
    assert all(a < b for a, b in dump.gaps) and all(a[1] < b[0] for a, b in pairwise(dump.gaps))
    assert all(0 <= a < b <= len(dump.data) for a, b in dump.gaps)
    model: Bytes = list(dump.data)
    for first, end in dump.gaps:
        assert set(dump.data[first:end]) == {0xFF}
        model[first:end] = [None] * (end - first)
    return model


MODELS = st.lists(st.integers(0, 9) | st.none(), min_size=1, max_size=24)


@given(MODELS, st.integers(-9, 9).filter(bool))
def test_each_way_a_dump_may_lie(model: Bytes, shift: int) -> None:
    """Words of two and four bytes turned, where each byte of them was read; bytes taken from the
    front or missing there; a read that went round the end."""
    ways = [model_of(d) for d, _ in transformations(dump_of(model), [shift], SOURCE)]
    for width, way in zip((2, 4), ways[:2], strict=True):
        for at in range(0, len(model) - len(model) % width, width):
            word = model[at:at + width]
            expected = [None] * width if None in word else word[::-1]
            assert expected == way[at:at + width]
        assert len(way) == len(model)
    moved = model[shift:] if shift > 0 else [None] * -shift + model
    at = shift % len(model)
    assert [moved, model[at:] + model[:at]] == ways[2:]


@given(MODELS, st.lists(st.tuples(st.integers(0, 23), st.integers(1, 5)), max_size=3))
def test_spans_that_count_as_not_read(model: Bytes, spans: list[tuple[int, int]]) -> None:
    """Whatever stood there, and however they lie."""
    inside = [(a, min(a + n, len(model))) for a, n in spans if a < len(model)]
    expected = [None if any(a <= i < b for a, b in inside) else byte
                for i, byte in enumerate(model)]
    assert expected == model_of(without(dump_of(model), inside))


@pytest.mark.parametrize(("shift", "messages"), [
    (1, ["1 byte too many before the first one", "begins at address 0x3 of the part"]),
    (-2, ["2 bytes missing at the beginning", "begins at address 0x2 of the part"])])
def test_each_way_is_told(shift: int, messages: list[str]) -> None:
    """As a warning, with the words first; without a turn where none is possible."""
    found = [f for _, f in transformations(dump_of([1, 2, 3, 4]), [shift], SOURCE)]
    assert ["PS654", "PS654", "PS652", "PS652"] == [f.code for f in found]
    assert {Severity.WARNING} == {f.severity for f in found}
    assert all(words in f.message for words, f in zip(messages, found[2:], strict=True))
    assert ["16-bit", "32-bit"] == [f.message.split()[4] for f in found[:2]]
    straight = [f for _, f in transformations(dump_of([1, 2]), [shift], SOURCE, turns=False)]
    assert found[:3] == straight
