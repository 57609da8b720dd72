"""The report of an image: values with units, slots as a picture, and the same as data."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from paramstore.core.disk import read_text
from paramstore.core.errors import SourceText
from paramstore.image.contents import Contents, SlotState, unpack
from paramstore.image.diagnose import diagnose
from paramstore.image.pack import pack
from paramstore.image.values import read_values
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.record import build_record, encode_body
from paramstore.report.findings import findings_text
from paramstore.report.image import MARKS, contents_toml, image_data, image_text, plain_value
from paramstore.schema.from_raw import from_raw
from paramstore.schema.reader import load_schema
from tests.goldens import golden
from tests.image.test_pack import planned
from tests.record.plans import EXAMPLE

ROOT = Path(__file__).parents[2]
GOLDEN = Path(__file__).parent / "golden"


def shipped(name: str) -> tuple[Plan, bytes]:
    """The plan of a shipped example, and the image of its values."""
    schema, _ = load_schema(ROOT / "schemas" / f"{name}.toml")
    given_values = read_values(schema, read_text(ROOT / "schemas" / f"{name}.values.toml"))
    plan = make_plan(schema)
    return plan, pack(plan, given_values.values)


def worn_unit() -> Contents:
    """A tank_probe with a history: a torn commit, a lost group, a wrong value, a hurt label."""
    plan, packed = shipped("tank_probe")
    image = bytearray(packed)

    def put(group: str, slot: int, data: bytes) -> None:
        address = plan.ring(group).address(slot)
        image[address:address + len(data)] = data

    image[3] ^= 0x10
    counters, settings_ring = plan.ring("counters"), plan.ring("settings")
    for number in range(1, 12):
        body = encode_body(counters, {"running": (60 * number,), "power_ups": (number,)})
        put("counters", (number - 1) % counters.slots,
            build_record(plan, counters, number, body))
    body = encode_body(settings_ring, {"interval": (0,), "label": tuple(b"\xff" * 16)})
    put("settings", 1, build_record(plan, settings_ring, 2, body))
    put("settings", 2, build_record(plan, settings_ring, 3, body)[:32])
    for slot in range(plan.ring("electrode").slots):
        put("electrode", slot, bytes(20))
    put("factory", 2, image[plan.ring("factory").address(0):][:plan.ring("factory").record_bytes])
    return unpack(plan, bytes(image))


@pytest.mark.parametrize("name", ["tank_probe", "minimal", "large"])
def test_a_packed_example(name: str) -> None:
    """The report of a fresh unit, as it is kept."""
    text = image_text(unpack(*shipped(name)))
    assert golden(GOLDEN / f"{name}.unpack.txt", text) == text


def test_a_worn_unit() -> None:
    """The report of a unit with damage, findings included, as it is kept."""
    contents = worn_unit()
    text = image_text(contents) + "\n" + findings_text(diagnose(contents, "worn.bin"))
    assert golden(GOLDEN / "worn.unpack.txt", text) == text


def test_a_worn_unit_as_a_values_file() -> None:
    """The values file of a unit with damage says which values are not the unit's."""
    text = contents_toml(worn_unit())
    assert golden(GOLDEN / "worn.values.toml", text) == text


@given(planned())
@settings(max_examples=25)
def test_the_values_file_makes_the_same_image(case: tuple[Plan, Any]) -> None:
    """What unpack writes, pack turns into the same bytes."""
    plan, values = case
    image = pack(plan, values)
    text = contents_toml(unpack(plan, image))
    assert image == pack(plan, read_values(plan.schema, SourceText("x", text)).values)


@given(planned())
@settings(max_examples=25)
def test_every_parameter_is_in_text_and_data(case: tuple[Plan, Any]) -> None:
    """No parameter and no slot is left out, and raws in the data are those packed."""
    plan, values = case
    contents = unpack(plan, pack(plan, values))
    text = image_text(contents)
    data = json.loads(json.dumps(image_data(contents), allow_nan=False))
    for ring, group in zip(plan.rings, data["groups"], strict=True):
        assert ring.slots == len(group["slots"])
        for parameter in ring.group.parameters:
            assert f"\n  {parameter.name} " in text
            assert {f.name: list(values[ring.group.name][f.name]) for f in parameter.fields} == (
                group["values"][parameter.name]["raw"])


def test_data_has_physical_values_and_units() -> None:
    """A program gets numbers in the unit of the schema, a curve as points."""
    contents = unpack(EXAMPLE, pack(EXAMPLE, {}, defaults=True))
    groups = {g["name"]: g for g in image_data(contents)["groups"]}
    assert {"value": 2.5, "unit": "A", "raw": {"current": [2500]}, "origin": "record",
            "stored": None} == (
        groups["limits"]["values"]["current"])
    flow = groups["limits"]["values"]["flow"]
    assert ([[0, -5], [50, 300], [100, 700]], ["", "l/h"]) == (flow["value"], flow["unit"])
    assert {"value": 18.5, "unit": "degC", "raw": {"low": [-3]}, "origin": "record",
            "stored": None} == (
        groups["user"]["values"]["low"])
    assert ("pump", "record", 1) == (
        groups["user"]["values"]["name"]["value"], groups["user"]["from"],
        groups["user"]["sequence"])


def test_data_of_a_blank_part() -> None:
    """Nothing is claimed about a blank part."""
    data = image_data(unpack(EXAMPLE, b"\xff" * 1024))
    assert (True, "blank", None, ["defaults", "defaults"]) == (
        data["blank"], data["label"]["state"], data["label"]["store"],
        [g["from"] for g in data["groups"]])


def test_json_keeps_every_digit() -> None:
    """A 64-bit count of steps has up to 20 digits, a binary64 holds 15 to 17 (IEEE 754-2019, table
    3.5: 53 bits): what it cannot hold is a text. 0.1 is read back as 0.1."""
    wide = Decimal(2**64 - 1).scaleb(-3)
    assert ["18446744073709551.615", 0.1, 2**64 - 1, -12.5] == plain_value(
        [wide, Decimal("0.1"), Decimal(2**64 - 1), Decimal("-12.5")])
    assert wide == Decimal(json.loads(json.dumps(plain_value(wide))))


def test_what_json_cannot_hold_is_null() -> None:
    """NaN in a stored float is null in JSON, beside the default that is served."""
    limits = EXAMPLE.rings[0]
    body = bytearray(encode_body(limits, {}))
    body[2:6] = bytes.fromhex("0000c07f")
    image = bytearray(pack(EXAMPLE, {}, defaults=True))
    record = build_record(EXAMPLE, limits, 3, bytes(body))
    image[limits.address(2):limits.address(2) + len(record)] = record
    contents = unpack(EXAMPLE, bytes(image))
    (group, _) = image_data(contents)["groups"]
    assert {"value": 1.5, "unit": "", "raw": {"gain": [1.5]}, "origin": "record", "stored": {
        "value": None, "raw": {"gain": [None]}, "reason": "outside its limits",
    }} == group["values"]["gain"]
    assert "gain     1.5  <- the default: nan is stored, outside its limits" in image_text(contents)


def test_marks_differ() -> None:
    """Each state of a slot has a character of its own."""
    assert set(SlotState) == set(MARKS)
    assert len(SlotState) == len(set(MARKS.values()))


def test_slots_are_painted_by_state() -> None:
    """A colour function sees every slot and every entry of the legend."""
    seen: list[tuple[str, SlotState]] = []

    def style(text: str, state: SlotState) -> str:
        seen.append((text, state))
        return f"<{text}>"

    text = image_text(unpack(EXAMPLE, pack(EXAMPLE, {}, defaults=True)), style)
    assert "  slots    <#><#><.>\n" in text
    assert text.endswith("slots: <#> 3 current   <.> 2 erased\n")
    assert all(MARKS[state] == mark for mark, state in seen)


def test_a_long_ring_is_shown_in_rows() -> None:
    """More than 64 slots are shown in numbered rows, counted by eights."""
    plan, image = shipped("large")
    ring = max(plan.rings, key=lambda r: r.slots)
    lines = image_text(unpack(plan, image)).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith(f"{ring.group.name}: "))
    rows = -(-ring.slots // 64)
    pictures = [line.split("  ")[-1] for line in lines[at + 1:at + 1 + rows]]
    assert ring.slots == sum(len(p.replace(" ", "")) for p in pictures)
    assert "#" + "." * 7 + (" " + "." * 8) * 7 == pictures[0]


def test_texts_of_a_dump_cannot_write_to_the_terminal() -> None:
    """Control characters in a stored text are shown, not sent."""
    name = tuple(b"\x1b[2J\x07\0"[:6])
    text = image_text(unpack(EXAMPLE, pack(EXAMPLE, {"user": {"name": name}}, defaults=True)))
    assert "\x1b" not in text and "\x07" not in text
    assert "\x1b[2J\x07" == from_raw(EXAMPLE.rings[1].group.fields[0], name)


@given(st.binary(max_size=1024))
@settings(max_examples=50)
def test_any_dump_has_a_report(image: bytes) -> None:
    """Text, data and values file exist for any bytes, in plain lines."""
    contents = unpack(EXAMPLE, image)
    assert all(line.isprintable() for line in image_text(contents).splitlines())
    json.dumps(image_data(contents), allow_nan=False)
    assert contents_toml(contents).startswith("# Values of the store pump_drive.\n")
