"""The report of a plan: words, tables and data that agree with the plan."""

import json
import re
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings

from paramstore.core.errors import FindingsError
from paramstore.layout.place import make_plan
from paramstore.report.plan import field_lines, number_text, plan_text, scale_text
from paramstore.report.plan_data import plan_data
from paramstore.schema.model import Role, Schema
from paramstore.schema.reader import load_schema
from tests.goldens import golden
from tests.independent_decoder import crc32c_bit_by_bit
from tests.layout.builders import group, schema, sized
from tests.strategies import schemas

ROOT = Path(__file__).parents[2]
STORE = schema(
    group("factory", 1, sized("gain", 4), role=Role.CALIBRATION, copies=2, per_day=0.0),
    group("log", 2, sized("count", 4), sized("text", 60), per_day=1440), doc="A demo",
)


def summary(store: Schema) -> dict[str, str]:
    """The lines under `Store`, unwrapped, by their first word."""
    _, _, tail = plan_text(make_plan(store)).partition("\nStore\n")
    lines = re.sub(r"\n {11}", " ", tail).splitlines()
    return {line.split()[0]: line.split(maxsplit=1)[1] for line in lines}


def test_blocks() -> None:
    """The map can be left out and the fields put in."""
    plan = make_plan(STORE)
    heads = [block.splitlines()[0] for block in plan_text(plan, page_map=False).split("\n\n")]
    assert [
        "demo on the 24LC32A: 4096 bytes in 128 pages of 32, 400 kHz, 3.3 V, 25 degC, 10 years",
        "Groups: where they lie", "Groups: wear at 25 degC, time at 400 kHz",
        "Groups: room for later parameters, which is fixed for good by the first release of a "
        "group",
        "Store",
    ] == heads
    assert "\nA demo\n" in plan_text(plan)
    assert "Page map:" in plan_text(plan)
    assert "log.count" in plan_text(plan, fields=True)
    assert "log.count" not in plan_text(plan)


def test_places_and_costs() -> None:
    """Each group has a line with its bytes and pages, and one with what it costs."""
    text = plan_text(make_plan(STORE))
    assert ("    A  factory  calibration        4     19      32      1      3      3  0x0040  "
            "0x009F") in text
    assert "    B  log      setting           64     23      96      3      6     18" in text
    assert re.search(r"^  factory +0 +2 +>1000 +>1000 +2 ", text, re.M)
    assert re.search(r"^  log +1,440 +1 +11.4 +1.14 +3 ", text, re.M)


def test_summary() -> None:
    """The lines of the summary give units and assumptions."""
    lines = summary(STORE)
    assert "23 of 128 pages used (label 2, groups 21), 105 free" == lines["space"]
    assert lines["hold-up"].startswith("118 uF end a started page write: 5.79 ms at 13 mA (part, ")
    assert lines["hold-up"].endswith("from 3.3 V down to 2.5 V, with 80% of the capacitance left")
    assert (
        "every error of up to 5 bits in a record is found; of torn pages one in 4,294,967,296 "
        "passes (a 16-bit CRC: up to 3 bits, one in 65,536)" == lines["CRC-32C"])
    assert lines["ids"].startswith(f"store 0x{crc32c_bit_by_bit(b'demo'):08X}, layout 0x")
    assert lines["ids"].endswith(", not released")


@pytest.mark.parametrize(("part", "words"), [
    ("24LC32A", "the pin covers the whole part, counters too"),
    ("24LC32AF", "the pin covers 0x0C00 to the end: factory"),
])
def test_write_protection(part: str, words: str) -> None:
    """What the write-protect pin covers is said in terms of the groups."""
    store = schema(*STORE.groups, part=part)
    assert summary(store)["protect"].startswith(words)


def test_no_room_for_hold_up() -> None:
    """At the lowest supply of the part no capacitor helps, and that is said."""
    store = schema(*STORE.groups, supply_v=2.5)
    assert (
        "no capacitor can end a page write: the supply of 2.5 V has no room above the part's "
        "2.5 V" == summary(store)["hold-up"])


def test_fields() -> None:
    """The table of fields gives addresses in slot 0 and offsets in the body."""
    assert [
        "  address  field         type     size  in body  scale  unit",
        "                                 bytes     byte",
        "  -------  ------------  ------  -----  -------  -----  ----",
        "   0x0045  factory.gain  u8[4]       4        0",
        "   0x0DC5  log.count     u8[4]       4        0",
        "   0x0DC9  log.text      u8[60]     60        4",
    ] == field_lines(make_plan(STORE))


@pytest.mark.parametrize(("scale", "zero", "text"), [
    ("1", "0", ""), ("0.010", "0", "0.01"),
    ("0.01", "-40", "0.01 -40"), ("1", "273.15", "1 +273.15"),
])
def test_scale(scale: str, zero: str, text: str) -> None:
    """A scaled integer says by what its raw value is multiplied, and what is added."""
    field = replace(sized("t", 2).fields[0], scale=Decimal(scale), offset=Decimal(zero))
    assert text == scale_text(field)


@given(schemas())
@settings(max_examples=40)
def test_data_is_enough_for_a_decoder(drawn: Schema) -> None:
    """The data survive JSON and hold the layout object of FORMAT.md, section 6, of the same id."""
    try:
        plan = make_plan(drawn)
    except FindingsError:
        return
    data = json.loads(json.dumps(plan_data(plan), allow_nan=False))
    layout = {
        "format": data["format"],
        "before": data["before"],
        "capacity": data["part"]["capacity_bytes"],
        "page": data["part"]["page_bytes"],
        "rings": [
            {
                "group": g["id"], "first_page": g["first_page"], "slots": g["slots"],
                "slot_pages": g["slot_pages"], "body": g["body_bytes"],
                "fields": [{k: f[k] for k in ("name", "type", "count", "offset", "scale", "zero")}
                           for f in g["fields"]],
            }
            for g in data["groups"]
        ],
    }
    text = json.dumps(layout, separators=(",", ":"))
    assert crc32c_bit_by_bit(text.encode()) == data["layout_id"]
    assert crc32c_bit_by_bit(data["store"].encode()) == data["store_id"]


def test_data_and_text_agree() -> None:
    """Pages, times and lives are the same figures in both; a life without end is null."""
    data, lines = plan_data(make_plan(STORE)), summary(STORE)
    pages = data["pages"]
    assert 128 == pages["total"] == pages["label"] + pages["groups"] + pages["free"]
    assert lines["mount"].startswith(f"{data['mount']['ms']:.1f} ms of bus time; at most "
                                     f"{data['mount']['worst_ms']:.1f} ms ")
    assert [None, 11.4] == [g["life_years"] and round(g["life_years"], 1) for g in data["groups"]]
    assert [False, False] == [g["write_protectable"] for g in data["groups"]]


@pytest.mark.parametrize(("value", "text"), [
    (0, "0"), (0.001, "0.001"), (0.07123, "0.0712"), (1, "1"), (10.42, "10.4"), (99.94, "99.9"),
    (99.96, "100"), (1440, "1,440"), (123456.7, "123,457"), (3e-7, "0.0000003"),
])
def test_number_text(value: float, text: str) -> None:
    """Three significant digits, thousands apart, no exponent."""
    assert text == number_text(value)


@pytest.mark.parametrize("name", ["tank_probe", "minimal", "large"])
def test_examples(name: str) -> None:
    """The whole report of the shipped examples is as kept."""
    example, _ = load_schema(ROOT / "schemas" / f"{name}.toml")
    text = plan_text(make_plan(example), fields=True)
    assert golden(Path(__file__).parent / "golden" / f"{name}.plan.txt", text) == text
