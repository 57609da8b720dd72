"""Values of a fixed layout in a store: what comes over, what does not, and that it is told."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from paramstore.core.disk import read_text
from paramstore.core.errors import FindingsError, SourceText
from paramstore.image.adopt import adopt
from paramstore.image.contents import Contents, unpack
from paramstore.image.diagnose import diagnose
from paramstore.image.migrate import MigratedValue, ValueOutcome
from paramstore.image.ways import ways_into
from paramstore.layout.plan import Plan
from paramstore.releases.project import open_project
from paramstore.schema.fixed.contents import read_image
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.from_raw import from_raw
from tests.schema.fixed.legacy import HOLE, VALUES, legacy

SCHEMAS = Path(__file__).parents[2] / "schemas"
PLAN: Plan = open_project(read_text(SCHEMAS / "tank_probe.toml")).plan
LAYOUT, _ = read_layout(read_text(SCHEMAS / "tank_probe.fixed.toml"))


def taken(dump: bytes) -> tuple[Contents, dict[str, MigratedValue]]:
    """The store made from a dump, and what became of each value."""
    migration = adopt(read_image(LAYOUT, dump), PLAN)
    return unpack(PLAN, migration.image), {i.where: i for i in migration.items}


def value(contents: Contents, name: str) -> Any:
    group, _, parameter = name.partition(".")
    found = contents.group(group)
    return from_raw(found.ring.group.parameter(parameter).fields[0], found.values[parameter])


def test_every_value_comes_over() -> None:
    """The values of a dump, made by `struct` alone, are in the image in the units of the store."""
    contents, items = taken(legacy())
    expected = {
        "identity.serial": "TP-190042", "identity.hardware": 3, "identity.variant": "sea",
        "identity.options": ["logger"], "identity.made": date(2019, 5, 14),
        "electrode.ph_slope": -57.12, "electrode.ph_zero": 3.8, "electrode.cell_constant": 1.0213,
        "factory.adc_reference": Decimal("2.497"), "settings.mode": "measure",
        "settings.interval": 300, "settings.ph_low": Decimal("6.4"),
        "settings.ph_high": Decimal("8.6"), "settings.temp_low": 5, "settings.temp_high": 17,
        "settings.ec_high": 2500, "settings.alarms": ["ph", "temperature"],
        "settings.buzzer": True, "settings.label": "basin 3", "counters.running": 20731 * 60,
    }
    assert expected == {name: value(contents, name) for name in expected}
    come = {n for n, i in items.items() if i.outcome in (ValueOutcome.KEPT, ValueOutcome.CONVERTED)}
    assert set(expected) == come
    assert ValueOutcome.LEFT is items["display.contrast"].outcome
    assert () == diagnose(contents, "image")


def test_what_was_not_stored_is_a_default() -> None:
    """The stored number for no value is no value."""
    contents, items = taken(legacy(reference=0xFFFF))
    assert ValueOutcome.DEFAULTED is items["factory.adc_reference"].outcome
    assert Decimal("2.5") == value(contents, "factory.adc_reference")


@pytest.mark.parametrize(("changes", "name", "reason"), [
    ({"interval": 90}, "settings.interval",
     "`interval` = 5400 s is above its maximum 3600 s"),
    ({"mode": 7}, "settings.mode", "number 7 is the name of no member"),
    ({"ph_low": 90}, "settings.ph_low", "`ph_low` = 9 pH must be below `ph_high` = 8.6 pH"),
    ({"hardware": 0}, "identity.hardware", "`hardware` = 0 is below its minimum 1"),
    ({"cell_constant": float("nan")}, "electrode.cell_constant",
     "`cell_constant` cannot be nan"),
    ({"serial": b"TP-\xff"}, "identity.serial", "it is no UTF-8 text"),
])
def test_what_does_not_fit_is_told(changes: dict[str, Any], name: str, reason: str) -> None:
    """A value that the store does not allow is replaced by its default, with the reason."""
    contents, items = taken(legacy(**changes))
    assert (ValueOutcome.UNFIT, reason) == (items[name].outcome, items[name].reason)
    group, _, parameter = name.partition(".")
    default = PLAN.schema.group(group).parameter(parameter).fields[0].default
    assert default == contents.group(group).values[parameter]


def test_values_under_a_wrong_checksum_are_not_taken() -> None:
    """Bytes that were changed give no values; those of the hole do not matter."""
    data = bytearray(legacy())
    data[HOLE[0]] = 0
    assert taken(bytes(data))[1] == taken(legacy())[1]
    data[16] ^= 1
    _, items = taken(bytes(data))
    spoilt = items["electrode.ph_slope"]
    assert (ValueOutcome.UNFIT, "the checksum `head.crc` is wrong") == (
        spoilt.outcome, spoilt.reason)
    assert not any(i.outcome in (ValueOutcome.KEPT, ValueOutcome.CONVERTED) for i in items.values())


@given(st.fixed_dictionaries({}, optional={
    "ph_slope": st.integers(-0x8000, 0x7FFF), "interval": st.integers(0, 255),
    "mode": st.integers(0, 255), "ph_low": st.integers(0, 255), "ph_high": st.integers(0, 255),
    "temp_low": st.integers(-128, 127), "hours": st.integers(0, 0xFFFFFF),
    "serial": st.binary(max_size=10), "label": st.binary(min_size=12, max_size=12),
    "cell_constant": st.floats(width=32), "fitted": st.integers(0, 255),
    "made": st.integers(0, 0xFFFF),
}))
def test_whatever_a_unit_holds_makes_a_sound_store(changes: dict[str, Any]) -> None:
    """Each value is taken, replaced or told, and the image has nothing to be said against."""
    contents, items = taken(legacy(**changes))
    assert () == diagnose(contents, "image")
    every = [f"{g.name}.{p.name}" for g in PLAN.schema.groups for p in g.parameters]
    assert set(every) <= set(items)
    if items["counters.running"].outcome is ValueOutcome.CONVERTED:
        assert (VALUES | changes)["hours"] * 60 == value(contents, "counters.running")


HEAD = '[fixed]\nname = "old"\nsize = 8\n\n[group.settings.parameter]\n'


@pytest.mark.parametrize(("line", "code", "message", "marked", "mend"), [
    ('a = { type = "u8", at = 0, to = "settings.intervall" }', "PS640",
     "`tank_probe` has no parameter `settings.intervall`", '"settings.intervall"',
     "did you mean `settings.interval`, `settings.label` or `settings.temp_low`?"),
    ('a = { type = "u8", at = 0, to = "qqqqq.zzzzz" }', "PS640",
     "`tank_probe` has no parameter `qqqqq.zzzzz`", '"qqqqq.zzzzz"', "name one that it has"),
    ('mode = { type = "enum", at = 0, members = ["on"], to = { members = { on = "measur" } } }',
     "PS640", "`settings.mode` has no member `measur`", '{ members = { on = "measur" } }',
     "did you mean `measure`?"),
    ('m = { type = "enum", at = 0, members = ["on", "off"], '
     'to = { parameter = "settings.mode", members = { on = "qqqqq", off = "of" } } }',
     "PS640", "`settings.mode` has no member `qqqqq`",
     '{ parameter = "settings.mode", members = { on = "qqqqq", off = "of" } }',
     "its members are `standby`, `measure` and `service`"),
    ('name = { type = "u8", at = 0, to = "settings.label" }', "PS641",
     "`settings.name` is of the kind integer, `settings.label` of text", '"settings.label"',
     "name another parameter with `to`"),
    ('every = { type = "u8", at = 0, count = 2, to = "settings.interval" }', "PS641",
     "`settings.every` and `settings.interval` have different numbers of elements",
     '"settings.interval"', "name another parameter with `to`"),
    ('interval = { type = "u8", at = 0, unit = "min" }', "PS642",
     "`settings.interval` is in `min`, `settings.interval` in `s`", "interval",
     "say how it converts, as in `to = { factor = 0.001 }`; `factor = 1` if it is only another "
     "word for the same unit"),
    ('every = { type = "u8", at = 0, to = "settings.interval" }', "PS642",
     "`settings.every` is without a unit, `settings.interval` in `s`", '"settings.interval"',
     "say how it converts, as in `to = { factor = 0.001 }`; `factor = 1` if it is only another "
     "word for the same unit"),
])
def test_a_way_that_leads_nowhere(line: str, code: str, message: str, marked: str,
                                  mend: str) -> None:
    """What cannot go over whatever its value is a mistake of the schema, at its place."""
    layout, _ = read_layout(SourceText("old.toml", HEAD + line + "\n"))
    with pytest.raises(FindingsError) as caught:
        ways_into(layout, PLAN.schema)
    (finding,) = caught.value.findings
    assert (code, message, mend) == (finding.code, finding.message, finding.help)
    span = finding.span
    assert span and span.line == 6
    assert marked == line[span.column - 1:span.end_column - 1]


@pytest.mark.parametrize(("line", "data", "name", "reason"), [
    ('label = { type = "text", at = 0, size = 12, encoding = "latin-1" }', "ä" * 12, "label",
     "the text takes 24 bytes, `label` has 16"),
    ('alarms = { type = "flags", at = 0, storage = "u8", members = ["ph"] }', "\6", "alarms",
     "bit 1 is the name of no flag"),
])
def test_why_a_value_does_not_come_over(line: str, data: str, name: str, reason: str) -> None:
    """The reason names what is in the way."""
    layout, _ = read_layout(SourceText("old.toml", HEAD.replace("8", "12") + line + "\n"))
    image = data.encode("latin-1").ljust(12, b"\0")
    item = {i.where: i for i in adopt(read_image(layout, image), PLAN).items}[f"settings.{name}"]
    assert (ValueOutcome.UNFIT, reason) == (item.outcome, item.reason)


@pytest.mark.parametrize("stored", [0xFFFF, 2497])
def test_a_group_to_which_nothing_comes_has_no_record(stored: int) -> None:
    """Defaults alone do not make a unit look calibrated; one value does."""
    made, _ = taken(legacy(reference=stored))
    assert (stored != 0xFFFF) == (made.group("factory").newest is not None)


def test_what_a_dump_lacks_is_lost_not_made_up() -> None:
    """Bytes that were not read give no value: the default takes its place, as a loss."""
    place = next(i for g in LAYOUT.groups for i in g.items if i.name == "interval").places[0]
    at = place[0].address
    contents = read_image(LAYOUT, legacy(), ((at, at + 1),))
    items = {i.where: i for i in adopt(contents, PLAN).items}
    item = items["settings.interval"]
    assert (ValueOutcome.UNREAD, "its bytes are not in the dump") == (item.outcome, item.reason)
    assert ValueOutcome.KEPT is items["identity.serial"].outcome
    everything = {i.where: i for i in adopt(
        read_image(LAYOUT, legacy(), ((0, LAYOUT.size),)), PLAN).items}
    assert {ValueOutcome.UNREAD} == {
        everything[n].outcome for n in ("settings.interval", "identity.serial")}


@pytest.mark.parametrize(("raw", "outcome"), [
    (6412, ValueOutcome.ROUNDED), (6410, ValueOutcome.KEPT)])
def test_what_lies_between_the_steps_of_the_store_is_told_as_rounded(
        raw: int, outcome: ValueOutcome) -> None:
    """A finer number in steps of 0.01 pH is another number, and told with both."""
    layout, _ = read_layout(SourceText(
        "old.toml", HEAD + 'ph_low = { type = "u16", at = 0, scale = 0.001, unit = "pH" }\n'))
    items = adopt(read_image(layout, raw.to_bytes(2, "little").ljust(8, b"\0")), PLAN).items
    item = next(i for i in items if i.where == "settings.ph_low")
    assert (outcome, "6.41 pH") == (item.outcome, item.after)


@pytest.mark.parametrize(("raw", "outcome", "after"), [
    (300_000, ValueOutcome.CONVERTED, "300 s"), (299_600, ValueOutcome.ROUNDED, "300 s"),
    (0xFFFFFFFF, ValueOutcome.UNFIT, "10 s")])
def test_a_factor_may_lead_between_whole_numbers(raw: int, outcome: ValueOutcome,
                                                 after: str) -> None:
    """Where the store takes whole numbers only, a converted one is rounded, and told so; one beyond
    its type is not taken."""
    layout, _ = read_layout(SourceText("old.toml", HEAD + (
        'interval = { type = "u32", at = 0, unit = "ms", to = { factor = 0.001 } }\n')))
    items = adopt(read_image(layout, raw.to_bytes(4, "little").ljust(8, b"\0")), PLAN).items
    item = next(i for i in items if i.where == "settings.interval")
    assert (outcome, after) == (item.outcome, item.after)
