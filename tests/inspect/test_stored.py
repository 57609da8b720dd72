"""What is stored beside what is served: every report that names a value says both, and why."""

from __future__ import annotations

from typing import Any

from paramstore.core.scalars import Raw
from paramstore.files.forms import FORMS, read_dump
from paramstore.image.contents import unpack
from paramstore.image.pack import pack
from paramstore.inspect.differ import value_differences
from paramstore.inspect.salvage import salvage
from paramstore.inspect.store import examine_store, store_values
from paramstore.inspect.which import Candidate
from paramstore.record import build_record, encode_body
from paramstore.report.differences import difference_data, difference_text
from paramstore.report.image import contents_toml, image_data, image_text
from tests.record.plans import EXAMPLE

USER = EXAMPLE.ring("user")


def part(low: int, high: int, name: bytes = b"pump\0\0") -> bytes:
    """A part whose newest record of `user` has these values, whatever they are."""
    image = bytearray(pack(EXAMPLE, {}, defaults=True))
    raws: dict[str, tuple[Raw, ...]] = {"low": (low,), "high": (high,)}
    body = bytearray(encode_body(USER, raws))
    body[:6] = name
    record = build_record(EXAMPLE, USER, 2, bytes(body))
    image[USER.address(1):USER.address(1) + len(record)] = record
    return bytes(image)


def differences(before: bytes, after: bytes) -> tuple[str, list[dict[str, Any]]]:
    found = value_differences(
        EXAMPLE.schema.groups, store_values(unpack(EXAMPLE, before)),
        store_values(unpack(EXAMPLE, after)))
    return difference_text(found, ()), difference_data(found, ())["parameters"]


def test_unpack_shows_both() -> None:
    """The default, what is stored, and why it is not served: of both sides of a broken rule."""
    contents = unpack(EXAMPLE, part(9, 5))
    text = image_text(contents)
    assert "low    18.5 degC  <- the default: 24.5 degC is stored, not below high\n" in text
    assert "high   22 degC  <- the default: 22.5 degC is stored, not above low\n" in text
    values = image_data(contents)["groups"][1]["values"]
    assert {"value": 24.5, "raw": {"low": [9]}, "reason": "not below high"} == (
        values["low"]["stored"])
    assert (18.5, {"low": [-3]}, None) == (
        values["low"]["value"], values["low"]["raw"], values["name"]["stored"])
    toml = contents_toml(contents)
    assert ("# the default: 24.5 degC is stored, not below high\nlow = 18.5  # degC\n") in toml


def test_a_stored_value_that_is_the_default_is_not_told() -> None:
    """Of a broken rule only the side that is not served as it is stored."""
    text = image_text(unpack(EXAMPLE, part(9, 4)))
    assert "low    18.5 degC  <- the default: 24.5 degC is stored" in text
    assert "high   22 degC\n" in text


def test_what_stands_behind_a_text_is_not_shown() -> None:
    """It is no value, no damage and no difference."""
    tail = part(1, 2, b"pum\0\xff!")
    assert 'name   "pum"\n' in image_text(unpack(EXAMPLE, tail))
    assert ("no difference\n", []) == differences(tail, part(1, 2, b"pum\0\0\0"))


def test_differ_compares_what_is_served_and_what_is_stored() -> None:
    """A default that hides another stored value is not the same as the default."""
    text, data = differences(part(-3, 4), part(9, 4))
    assert ("user.low  18.5 degC -> 18.5 degC (the default: 24.5 degC is stored, not below high)"
            in text)
    assert [("low", {"after"})] == [(d["parameter"], set(d["stored"])) for d in data]
    assert ("no difference\n", []) == differences(part(9, 4), part(9, 4))


def test_a_salvaged_image_holds_what_is_served() -> None:
    """And tells which values are not those that were stored."""
    image = part(9, 5, b"pum\0\xff!")
    saved = salvage(examine_store(read_dump(image, "x.bin", FORMS["bin"]),
                            [Candidate("x.toml", EXAMPLE)]))
    assert (("low", "high"), False) == (saved.sources[1].defaulted, saved.complete)
    group = unpack(EXAMPLE, saved.image).group("user")
    assert (unpack(EXAMPLE, image).group("user").values, ()) == (group.values, group.resets)
    record = saved.image[USER.address(0):][:USER.record_bytes]
    assert b"pum\0\0\0" == record[5:11]
