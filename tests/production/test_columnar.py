"""Packing by columns gives the bytes of the record codec, whatever the store and the values."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from paramstore.core.checksum import crc32c
from paramstore.core.errors import FindingsError
from paramstore.image.pack import complete, pack
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Reserved
from paramstore.production import packer
from paramstore.production.columnar import ColumnarPacker, contributions
from paramstore.production.packer import PlainPacker, make_packer
from paramstore.schema.breaches import breaches
from tests.production.jobs import plan
from tests.strategies import field_raws, schema_raws, schemas


@st.composite
def batches(draw: st.DrawFn) -> tuple[Any, Any, list[Any]]:
    """A plan, its constants, and up to four units that differ in some fields."""
    schema = draw(schemas())
    constants = draw(schema_raws(schema))
    units = []
    for _ in range(draw(st.integers(1, 4))):
        whole = draw(schema_raws(schema))
        names = draw(st.lists(st.sampled_from([g.name for g in schema.groups]), unique=True))
        units.append({name: whole[name] for name in names})
    return make_plan(schema), constants, units


@given(batches())
@settings(max_examples=60)
def test_columns_agree_with_the_codec(batch: tuple[Any, Any, list[Any]]) -> None:
    """Image by image, byte for byte."""
    of, constants, units = batch
    expected = [pack(of, {**constants, **unit}, defaults=True) for unit in units]
    columnar = ColumnarPacker(of, constants)
    for _ in range(2):  # the buffer is used again
        assert expected == [bytes(image) for image in columnar.pack(units, {})]
    assert expected == [bytes(image) for image in PlainPacker(of, constants).pack(units, {})]


@given(batches())
@settings(max_examples=30)
def test_units_have_their_own_over_the_columns(batch: tuple[Any, Any, list[Any]]) -> None:
    """Columns change all units but those that have a value of their own."""
    of, constants, units = batch
    columns = {(g.name, f.name): [f.default] * len(units)
               for g in of.schema.groups for p in g.parameters for f in p.fields}
    defaults = complete(of, {})
    expected = [pack(of, {**defaults, **unit}, defaults=True) for unit in units]
    mixed = [unit or None for unit in units]
    for packer_ in (ColumnarPacker(of, constants), PlainPacker(of, constants)):
        assert expected == [bytes(image) for image in packer_.pack(mixed, columns)]


@given(batches(), st.data())
@settings(max_examples=60)
def test_units_without_values_of_a_group(batch: tuple[Any, Any, list[Any]],
                                         data: st.DataObject) -> None:
    """A protected group that a unit has no values of has no record in its image, or one of defaults
    if that is wanted."""
    of, _, units = batch
    constants = complete(of, {})
    names = [g.name for g in of.schema.groups if g.role.protected]
    optional = data.draw(st.lists(st.sampled_from(names), unique=True)) if names else []
    wanted = data.draw(st.booleans())
    in_table = data.draw(st.lists(st.sampled_from([g.name for g in of.schema.groups]), unique=True))
    columns = {(g.name, f.name): [data.draw(field_raws(f)) for _ in units]
               for g in of.schema.groups if g.name in in_table for f in g.fields}
    mixed = []
    for unit in units:
        own = {g: data.draw(st.sampled_from([fields, {}])) if g in optional else fields
               for g, fields in unit.items()}
        mixed.append(data.draw(st.sampled_from([own, None])) if own else None)
    expected = []
    for index, mine in enumerate(mixed):
        for (group, name), column in columns.items():
            if (mine or {}).get(group) == {}:
                column[index] = constants[group][name]
        values = {g.name: {} if g.name in optional else constants[g.name]
                  for g in of.schema.groups}
        for (group, name), column in columns.items():
            values[group] = {**values[group], name: column[index]}
        for group, fields in (mine or {}).items():
            values[group] = {**values[group], **fields} if fields else {}
        if any(any(breaches(g, complete(of, values)[g.name])) for g in of.schema.groups):
            reject()
        expected.append(pack(of, values, defaults=wanted))
    for kind in (ColumnarPacker, PlainPacker):
        made = kind(of, constants, optional, defaults=wanted).pack(mixed, columns)
        assert expected == [bytes(image) for image in made]


def test_units_may_differ_in_other_fields() -> None:
    """A field that only one of the units gives is constant in the others."""
    of = plan()
    constants = complete(of, {})
    units: list[Any] = [{}, {"trim": {"low": (3,)}}, {"settings": {"quiet": (1,)}}]
    assert [pack(of, unit, defaults=True) for unit in units] == [
        bytes(image) for image in ColumnarPacker(of, constants).pack(units, {})]


def test_bytes_of_former_fields_are_those_of_the_codec() -> None:
    """A store with a history has bytes in its records that are never used again."""
    of = plan()
    of = replace(of, rings=tuple(
        replace(ring, reserved=(Reserved("gone", ring.payload_bytes, b"\x12"),))
        if ring.payload_bytes < ring.body_bytes else ring for ring in of.rings))
    assert any(ring.reserved for ring in of.rings)
    units: list[Any] = [{"settings": {"quiet": (1,)}, "trim": {"flow": (1.5,)}}, {}]
    packed = ColumnarPacker(of, complete(of, {})).pack(units, {})
    assert [pack(of, unit, defaults=True) for unit in units] == [bytes(image) for image in packed]


@given(st.binary(min_size=1, max_size=80), st.integers(0, 2**32))
def test_contributions_are_those_of_the_crc(data: bytes, seed: int) -> None:
    """The difference of two CRCs follows from the bytes that differ."""
    other = random.Random(seed).randbytes(len(data))
    table = contributions(len(data))
    change = np.bitwise_xor.reduce([
        table[i][a ^ b] for i, (a, b) in enumerate(zip(data, other, strict=True))])
    assert crc32c(other) == crc32c(data) ^ int(change)


def test_without_numpy_units_are_packed_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """numpy makes it fast; it is not needed."""
    of = plan()
    assert isinstance(make_packer(of, complete(of, {})), ColumnarPacker)
    monkeypatch.setattr(packer, "find_spec", lambda name: None)
    assert isinstance(make_packer(of, complete(of, {})), PlainPacker)


def test_constants_that_break_a_rule_are_refused() -> None:
    """The image of the constants is made by the codec, with its checks."""
    of = plan()
    with pytest.raises(FindingsError):
        ColumnarPacker(of, complete(of, {"trim": {"low": (95,)}}))
