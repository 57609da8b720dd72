"""Wording of lists, numbers and suggestions."""

from __future__ import annotations

from datetime import date, datetime, time
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.words import (
    code_list,
    did_you_mean,
    near_words,
    ordinal,
    plural,
    show_number,
    type_of,
)


@pytest.mark.parametrize(("names", "text"), [
    ("", ""), ("a", "`a`"), ("ab", "`a` and `b`"), ("abc", "`a`, `b` and `c`")])
def test_names_are_listed(names: str, text: str) -> None:
    """With a word before the last one."""
    assert text == code_list(names)
    assert text.replace("and", "or") == code_list(names, "or")


def test_long_lists_are_counted() -> None:
    """Up to as many as are wanted are named, 17 if nothing is said."""
    assert "`a`, `b` and `c`" == code_list("abc", most=3)
    assert "`a`, `b` and 2 more" == code_list("abcd", "or", most=2)
    assert code_list("abcdefghijklmnopq").endswith("`p` and `q`")
    assert code_list("abcdefghijklmnopqr").endswith("`q` and 1 more")


def test_suggestions() -> None:
    """Near words, nearest first and at most three; or else all of them, if it is said of what."""
    assert ["gain", "gains"] == near_words("gian", ["offset", "gains", "gain"])
    assert 3 == len(near_words("gain", ["gain1", "gain2", "gain3", "gain4"]))
    assert "did you mean `Gain`?" == did_you_mean("GAINS", ["Gain", "offset"])
    assert "did you mean `gain` or `grain`?" == did_you_mean("gain", ["grain", "gain"])
    assert "the keys are `a` and `b`" == did_you_mean("zzz", ["a", "b"], "the keys")
    assert "" == did_you_mean("zzz", ["a", "b"]) == did_you_mean("zzz", [], "the keys")


@pytest.mark.parametrize(("count", "text"), [
    (0, "0 bytes"), (1, "1 byte"), (2, "2 bytes"), (11, "11 bytes")])
def test_plurals(count: int, text: str) -> None:
    """Of everything but one."""
    assert text == plural(count, "byte")


@pytest.mark.parametrize(("number", "tail"), [
    (1, "st"), (2, "nd"), (3, "rd"), (4, "th"), (9, "th"), (10, "th"), (11, "th"), (12, "th"),
    (13, "th"), (20, "th"), (21, "st"), (22, "nd"), (33, "rd"), (101, "st"), (111, "th"),
    (120, "th"), (121, "st")])
def test_ordinals(number: int, tail: str) -> None:
    """As English has them."""
    assert f"{number}{tail}" == ordinal(number)


@pytest.mark.parametrize(("number", "text"), [
    ("0.00", "0"), ("-0", "0"), ("1.50", "1.5"), ("-20", "-20"), ("1e3", "1000"), ("5e-7",
    "0.0000005"), ("5e-8", "5e-8"), ("2e20", "2" + 20 * "0"), ("2e21", "2e21"),
    ("-1.25e30", "-1.25e30"), ("1.2e30", "1.2e30"), ("NaN", "nan"),
    ("Infinity", "inf"), ("-Infinity", "-inf")])
def test_numbers_are_plain_where_that_is_short(number: str, text: str) -> None:
    """And without digits that say nothing."""
    assert text == show_number(Decimal(number))


@given(st.decimals(allow_nan=False, allow_infinity=False))
def test_a_shown_number_is_the_number(number: Decimal) -> None:
    """To the last digit."""
    assert number == Decimal(show_number(number))


@given(st.floats(allow_nan=False))
def test_a_shown_float_is_the_float(number: float) -> None:
    """With the fewest digits that tell it from its neighbours."""
    assert number == float(show_number(number))
    assert len(show_number(number).replace("-", "").replace(".", "")) <= 25


@pytest.mark.parametrize(("value", "text"), [
    (True, "true or false"), (1, "a whole number"), (1.5, "a decimal number"),
    (Decimal(1), "a decimal number"), ("", "a text"), ([], "an array"), ({}, "a table"),
    (datetime(2026, 1, 31, 12), "a date with a time"), (date(2026, 1, 31), "a date"),
    (time(12), "a time"), (None, "a NoneType")])
def test_types_have_their_article(value: object, text: str) -> None:
    """As TOML calls them."""
    assert text == type_of(value)
