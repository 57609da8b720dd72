"""Values from repeated blocks, arrays, curves and copies of a fixed layout in a store."""

from __future__ import annotations

import struct
from decimal import Decimal
from typing import Any

import pytest

from paramstore.core.errors import FindingsError, SourceText
from paramstore.image.adopt import adopt
from paramstore.image.contents import unpack
from paramstore.image.migrate import MigratedValue, ValueOutcome
from paramstore.image.ways import ways_into
from paramstore.layout.place import make_plan
from paramstore.layout.plan import Plan
from paramstore.schema.fixed.contents import read_image
from paramstore.schema.fixed.reader import read_layout
from paramstore.schema.from_raw import parameter_from_raw
from paramstore.schema.reader import read_schema

STORE = """
[store]
name = "supply"
part = "24LC32A"
[group.channels]
role = "setting"
writes = "1 per day"
[group.channels.parameter]
gain = { type = "u16", scale = 0.001, count = 3, min = 0.5, max = 1.5, default = 1 }
mode = { type = "enum", members = ["off", "on"], count = 3 }
made = { type = "date", default = 2026-01-01 }
level = { type = "u16", unit = "mV", default = 5, max = 1000 }
trim = { type = "i8", count = 5, min = -9, max = 9 }
[group.channels.parameter.correction]
type = "curve"
points = 3
x = { type = "u16", unit = "mV" }
y = { type = "i16", scale = 0.1, unit = "mV" }
default = [[0, 0], [100, 0], [200, 0]]
"""
SCHEMA, _ = read_schema(SourceText("supply.toml", STORE))
PLAN: Plan = make_plan(SCHEMA)
HEAD = '[fixed]\nname = "old"\nsize = 32\n'


def taken(lines: str, image: bytes) -> tuple[dict[str, Any], dict[str, MigratedValue]]:
    """The values of the store that is made from an image, and what became of each."""
    layout, _ = read_layout(SourceText("old.toml", HEAD + lines))
    contents = read_image(layout, image.ljust(32, b"\0"))
    migration = adopt(contents, PLAN)
    group = unpack(PLAN, migration.image).group("channels")
    values = {p.name: parameter_from_raw(p, {f.name: group.values[f.name] for f in p.fields})
              for p in SCHEMA.groups[0].parameters}
    return values, {item.where.removeprefix("channels."): item for item in migration.items}


BLOCKS = """
[group.channel]
count = 3
every = 4
[group.channel.parameter]
gain = { type = "f32", at = 0, to = "channels.gain" }
"""


def test_each_block_gives_an_element() -> None:
    """The blocks of a group become the elements of an array, in their order."""
    values, items = taken(BLOCKS, struct.pack("<3f", 0.75, 1.0, 1.25))
    assert [Decimal("0.75"), 1, Decimal("1.25")] == values["gain"]
    assert (ValueOutcome.KEPT, "[0.75, 1, 1.25]") == (items["gain"].outcome, items["gain"].before)


@pytest.mark.parametrize(("bad", "reason"), [
    (9.0, "`gain[1]` = 9 is above its maximum 1.5; the other elements are taken"),
    (float("nan"), "`gain[1]` cannot be nan; the other elements are taken"),
])
def test_a_bad_element_costs_only_itself(bad: float, reason: str) -> None:
    """One block with a value that the store does not take leaves the others theirs."""
    values, items = taken(BLOCKS, struct.pack("<3f", 0.75, bad, 1.25))
    assert [Decimal("0.75"), 1, Decimal("1.25")] == values["gain"]
    assert (ValueOutcome.UNFIT, reason) == (items["gain"].outcome, items["gain"].reason)


def test_bad_elements_of_an_array_cost_only_themselves() -> None:
    """So does an element of an array, be it no number, or the name of no member."""
    values, items = taken("""
[group.channels.parameter]
gain = { type = "u16", at = 0, count = 3, coding = "bcd", scale = 0.001 }
mode = { type = "enum", at = 8, count = 3, members = ["off", "on"] }
""", bytes.fromhex("00 09 FF FF 00 11 00 00 01 07 00"))
    assert ([Decimal("0.9"), 1, Decimal("1.1")], ["on", "off", "off"]) == (
        values["gain"], values["mode"])
    assert ("[0.9, 0xFFFF, 1.1]", "`gain[1]` would be from 0xFFFF, which is no BCD number; the "
            "other elements are taken") == (items["gain"].before, items["gain"].reason)
    assert ValueOutcome.UNFIT is items["mode"].outcome


def test_three_reasons_are_told_and_that_there_are_more() -> None:
    """Each once; the elements that fit are taken."""
    line = '[group.channels.parameter]\ntrim = { type = "i8", at = 0, count = 5 }\n'
    reasons = [f"`trim[{i}]` = {i + 10} is above its maximum 9" for i in range(4)]
    for bad in range(1, 5):
        values, items = taken(line, bytes([*range(10, 10 + bad), *[1] * (5 - bad)]))
        assert [*[0] * bad, *[1] * (5 - bad)] == values["trim"]
        more = ["..."] * (bad > 3) + ["the other elements are taken"]
        assert "; ".join([*reasons[:min(bad, 3)], *more]) == items["trim"].reason


def test_a_block_that_is_not_there_gives_the_default() -> None:
    """A unit without the channel has nothing to lose."""
    values, items = taken(BLOCKS.replace("every = 4", "every = 4\nwhen = { bits = [\"31\"], "
                                         'from = "image", above = 0 }'),
                          struct.pack("<3f", 0.75, 1.25, 1.25).ljust(31, b"\0") + b"\2")
    assert [Decimal("0.75"), Decimal("1.25"), 1] == values["gain"]
    assert (ValueOutcome.KEPT, "[0.75, 1.25, none]") == (
        items["gain"].outcome, items["gain"].before)


def test_a_block_under_a_wrong_checksum_costs_only_itself() -> None:
    """Each block has its own checksum."""
    image = bytearray()
    for gain in (0.75, 0.875, 1.25):
        body = struct.pack("<f", gain)
        image += body + bytes([sum(body) & 0xFF])
    image[7] ^= 1
    values, items = taken(BLOCKS.replace("every = 4", "every = 5") + """
[group.channel.check]
sum = { type = "sum", over = ["0-3"], at = 4 }
""", bytes(image))
    assert [Decimal("0.75"), 1, Decimal("1.25")] == values["gain"]
    assert "the checksum `channel_2.sum` is wrong; the other elements are taken" == (
        items["gain"].reason)


POINTS = """
[group.point]
count = 3
every = 4
[group.point.parameter]
raw = { type = "u16", at = 0, unit = "mV", to = "channels.correction.x" }
error = { type = "i16", at = 2, scale = 0.1, unit = "mV", to = "channels.correction.y" }
"""


def test_points_become_a_curve() -> None:
    """An array of structs with x and y becomes a curve."""
    values, items = taken(POINTS, struct.pack("<HhHhHh", 10, -5, 500, 7, 900, 12))
    assert [[10, Decimal("-0.5")], [500, Decimal("0.7")], [900, Decimal("1.2")]] == (
        values["correction"])
    assert ValueOutcome.KEPT is items["correction"].outcome


def test_a_bad_point_costs_the_curve() -> None:
    """A curve is one thing: no point of the default stands among those that were measured."""
    values, items = taken(POINTS, struct.pack("<HhHhHh", 10, -5, 500, 7, 400, 12))
    assert [[0, 0], [100, 0], [200, 0]] == values["correction"]
    assert (ValueOutcome.UNFIT, "`correction.x` must rise: 400 mV follows 500 mV") == (
        items["correction"].outcome, items["correction"].reason)


def test_a_point_that_is_not_there_costs_the_curve() -> None:
    """A unit that has fewer points than the curve gets the default, and is told so."""
    lines = POINTS.replace("every = 4", 'every = 4\nwhen = { bits = ["31"], from = "image", '
                                        'above = 0 }')
    points = struct.pack("<HhHhHh", 10, -5, 500, 7, 900, 12).ljust(31, b"\0")
    values, items = taken(lines, points + b"\2")
    assert [[0, 0], [100, 0], [200, 0]] == values["correction"]
    assert (ValueOutcome.UNFIT, "it has not all of its points") == (
        items["correction"].outcome, items["correction"].reason)
    assert ValueOutcome.KEPT is taken(lines, points + b"\3")[1]["correction"].outcome


@pytest.mark.parametrize(("lines", "message"), [
    (BLOCKS.replace("count = 3", "count = 2"),
     "`channel.gain` and `channels.gain` have different numbers of elements"),
    (BLOCKS.replace("channels.gain", "channels.level").replace("count = 3", "count = 2"),
     "`channel.gain` and `channels.level` have different numbers of elements"),
    (POINTS.replace("correction.y", "gain"), "`point.error` is in `mV`, `channels.gain` without a "
     "unit"),
    (POINTS.replace(', to = "channels.correction.y"', ""),
     "nothing goes to `channels.correction.y`"),
    (POINTS.replace("correction.x", "correction"), "`channels.correction` is a curve"),
    (BLOCKS.replace("channels.gain", "channels.gain.x"), "`channels.gain` is no curve"),
])
def test_ways_of_blocks_that_lead_nowhere(lines: str, message: str) -> None:
    """What cannot go over whatever the blocks hold is a mistake of the schema."""
    layout, _ = read_layout(SourceText("old.toml", HEAD + lines))
    with pytest.raises(FindingsError) as caught:
        ways_into(layout, SCHEMA)
    finding, *more = caught.value.findings
    assert message == finding.message
    assert not [f for f in more if f.message == message]
    assert finding.help and finding.span
    given = "blocks give an element each"
    assert [note for note in finding.notes if given in note] == (
        [f"2 {given}"] if "elements" in message else [])


COPIES = """
[group.channels]
count = 2
every = 8
copies = "number"
[group.channels.parameter]
number = { type = "u16", at = 0 }
level = { type = "u16", at = 2, unit = "mV" }
spare = { type = "u8", at = 7 }
[group.channels.check]
sum = { type = "fletcher", width = 16, over = ["0-3"], at = 4 }
"""


def copy_of(number: int, level: int) -> bytes:
    """A copy with Fletcher's sums, made from their definition alone."""
    body = struct.pack("<HH", number, level)
    a = b = 0
    for byte in body:
        a = (a + byte) % 255
        b = (b + a) % 255
    return body + bytes([a, b, 0, 0])


@pytest.mark.parametrize(("image", "counts", "level", "outcome", "reason"), [
    (copy_of(4, 100) + copy_of(5, 200), 2, 200, ValueOutcome.KEPT, ""),
    (copy_of(6, 100) + copy_of(5, 200), 1, 100, ValueOutcome.KEPT, ""),
    (copy_of(6, 100) + bytes(8), 1, 100, ValueOutcome.KEPT, ""),
    (copy_of(0xFFFF, 100) + copy_of(0, 200), 2, 200, ValueOutcome.KEPT, ""),
    (copy_of(4, 100) + copy_of(5, 2000), 2, 5, ValueOutcome.UNFIT,
     "`level` = 2000 mV is above its maximum 1000 mV"),
    (copy_of(4, 100) + copy_of(4, 200), 0, 5, ValueOutcome.DAMAGED,
     "nothing tells which copy is the newest"),
    (b"\1" * 16, 0, 5, ValueOutcome.DAMAGED, "no copy is right"),
])
def test_values_are_those_of_the_copy_that_counts(image: bytes, counts: int, level: int,
                                                  outcome: ValueOutcome, reason: str) -> None:
    """The store gets the values of the newest right copy; none if there is none. Of a value that
    it does not take only that copy's is told."""
    values, items = taken(COPIES, image)
    assert (level, outcome, reason) == (
        values["level"], items["level"].outcome, items["level"].reason)
    lost = [name for name, i in items.items() if i.outcome is ValueOutcome.LOST]
    assert lost == [f"channels_{counts}.spare"] * bool(counts)


def test_a_copy_that_was_not_read_may_be_newer() -> None:
    """The dump lacks one copy: the other one's values are not taken for the newest."""
    layout, _ = read_layout(SourceText("old.toml", HEAD + COPIES))
    contents = read_image(layout, copy_of(4, 100).ljust(32, b"\0"), ((8, 16),))
    item = next(i for i in adopt(contents, PLAN).items if i.where == "channels.level")
    assert (ValueOutcome.UNREAD, "a copy that may be newer is not all in the dump") == (
        item.outcome, item.reason)


def test_coded_and_scaled_values_come_over() -> None:
    """Dates in seconds and numbers with a stored scale are what they mean."""
    values, _ = taken("""
[group.channels.parameter]
made = { type = "date", at = 0, coding = "unix" }
step = { type = "u8", at = 4, to = "" }
level = { type = "u8", at = 5, unit = "mV", scale_from = "step" }
""", struct.pack("<IBB", 1234567890, 25, 4))
    assert ("2009-02-13", 100) == (str(values["made"]), values["level"])


HEAD_SUM = """
[group.head.parameter]
used = { type = "u8", at = 30, to = "" }
step = { type = "u8", at = 28, to = "" }
[group.head.check]
sum = { type = "sum", over = ["28-30"], at = 31 }
"""


def with_head(body: bytes, used: int, step: int, *, good: bool = True) -> bytes:
    """An image with a head of its own checksum behind the body."""
    head = bytes([step, 0, used])
    return body.ljust(28, b"\0") + head + bytes([sum(head) & 0xFF ^ (not good)])


@pytest.mark.parametrize("used", [0, 2, 3])
def test_a_condition_under_a_wrong_checksum_gives_no_values(used: int) -> None:
    """Where nobody vouches for what says which blocks are there, none of them is taken, nor is one
    that is not there taken for one that never was."""
    blocks = HEAD_SUM + BLOCKS.replace(
        "every = 4", 'every = 4\nwhen = { bits = ["30"], from = "image", above = 0 }')
    body = struct.pack("<3f", 0.75, 1.25, 1.25)
    _, items = taken(blocks, with_head(body, used, 1))
    assert items["gain"].outcome is (ValueOutcome.DEFAULTED if used == 0 else ValueOutcome.KEPT)
    values, items = taken(blocks, with_head(body, used, 1, good=False))
    assert ([1, 1, 1], ValueOutcome.UNFIT) == (values["gain"], items["gain"].outcome)
    assert "the checksum `head.sum` is wrong" == items["gain"].reason


def test_a_scale_under_a_wrong_checksum_gives_no_values() -> None:
    """Nor is a value whose scale may have been changed."""
    lines = HEAD_SUM + """
[group.channels.parameter]
level = { type = "u8", at = 0, unit = "mV", scale_from = "head.step" }
"""
    values, items = taken(lines, with_head(b"\4", 0, 25))
    assert (100, ValueOutcome.KEPT) == (values["level"], items["level"].outcome)
    values, items = taken(lines, with_head(b"\4", 0, 25, good=False))
    assert (5, ValueOutcome.UNFIT, "the checksum `head.sum` is wrong") == (
        values["level"], items["level"].outcome, items["level"].reason)
