"""Serial numbers: patterns, and the parameter that holds them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.errors import FindingsError, SourceText, ToolError
from paramstore.production.serials import SERIAL, read_pattern, serial_place
from paramstore.schema.reader import read_schema
from tests.production.jobs import SCHEMA, place, plan


@given(st.integers(0, 9999))
def test_a_pattern_counts(number: int) -> None:
    """Every number has a serial number of its own, of one length, that can be one."""
    pattern = read_pattern("DP-####-B", place(plan()))
    assert f"DP-{number:04}-B" == pattern.serial(number)
    assert SERIAL.fullmatch(pattern.serial(number))
    assert (9999, "DP-####-B") == (pattern.last, str(pattern))


@pytest.mark.parametrize(
    "text", ["", "DP-1", "##-##", "-##", "DP ##", "DP/##", "#" * 20, "DP-########"])
def test_what_is_no_pattern_is_refused(text: str) -> None:
    """Without a run of digits, with two, with signs that a file name cannot have, or too long."""
    with pytest.raises(FindingsError) as caught:
        read_pattern(text, place(plan()))
    assert ["PS955"] == [f.code for f in caught.value.findings]
    assert caught.value.findings[0].help


def test_a_whole_number_can_be_a_serial_number() -> None:
    """Then the pattern has digits alone, and its last number must fit."""
    text = SCHEMA.replace('serial = { type = "text", size = 10 }', 'serial = { type = "u16" }')
    where = serial_place(read_schema(SourceText("s.toml", text))[0])
    assert 42 == where.physical(read_pattern("####", where).serial(42))
    for pattern in ("DP-##", "#####"):
        with pytest.raises(FindingsError):
            read_pattern(pattern, where)


def test_a_pattern_has_up_to_15_digits() -> None:
    """More than anybody counts, and few enough for every program that counts in floats."""
    text = SCHEMA.replace('serial = { type = "text", size = 10 }', 'serial = { type = "u64" }')
    where = serial_place(read_schema(SourceText("s.toml", text))[0])
    assert 10 ** 15 - 1 == read_pattern("#" * 15, where).last
    with pytest.raises(FindingsError, match="not a pattern"):
        read_pattern("#" * 16, where)


def test_the_parameter_is_found_or_named() -> None:
    """`serial` of an identity group is taken, another one is named; the rest is refused."""
    schema = plan().schema
    assert "identity.serial" == serial_place(schema).name
    assert "settings.label" == serial_place(schema, "settings.label").name
    for name, told in {"trim.flow": "cannot hold", "trim.steps": "cannot hold",
                       "trim.lift": "cannot hold", "trim.zero": "cannot hold",
                       "settings.labl": "no parameter"}.items():
        with pytest.raises(ToolError, match=told):
            serial_place(schema, name)
    without = read_schema(SourceText("s.toml", SCHEMA.replace("serial =", "number =")))[0]
    with pytest.raises(ToolError, match="0 parameters"):
        serial_place(without)
