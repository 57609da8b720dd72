"""The catalogue: complete, sourced, and true to the data sheets that were looked up."""

from __future__ import annotations

import tomllib
from dataclasses import fields
from importlib.resources import files
from pathlib import Path

import pytest

from paramstore.schema.catalogue import all_parts, find, names, part_from_table, search
from paramstore.schema.part import Part, WriteProtect

PARTS = all_parts()
SOURCED = {f.name for f in fields(Part)} - {"name", "block_bits", "sources", "note"}
ONLY_SOME = {"serial_bits", "lockable_bytes"}  # sourced where a part has it
UNSELECTED = {"block_shift"}  # means nothing where a part has no block-select bits


def part(name: str) -> Part:
    found = find(name)
    assert found is not None
    return found


def test_range() -> None:
    """At least 20 parts of several makers reach from 1 kbit to 1 Mbit."""
    assert len(PARTS) >= 20
    assert len({p.maker for p in PARTS}) >= 4
    assert min(p.capacity for p in PARTS) * 8 == 1 << 10
    assert max(p.capacity for p in PARTS) * 8 == 1 << 20
    assert {p.page for p in PARTS} == {8, 16, 32, 64, 128, 256}


@pytest.mark.parametrize("p", PARTS, ids=lambda p: p.name)
def test_every_value_has_one_source(p: Part) -> None:
    """Each value names exactly one source, in the file too."""
    text = files("paramstore.schema").joinpath("catalogue.toml").read_text("utf-8")
    vouched = [k for keys in tomllib.loads(text)["part"][p.name]["sources"].values() for k in keys]
    assert len(vouched) == len(set(vouched))
    wanted = SOURCED if p.block_bits else SOURCED - UNSELECTED
    wanted = wanted - {key for key in ONLY_SOME if not getattr(p, key)}
    assert wanted == {name for name, _ in p.sources}
    assert all(source for _, source in p.sources)


@pytest.mark.parametrize("p", PARTS, ids=lambda p: p.name)
def test_values_are_plausible(p: Part) -> None:
    """Every part keeps to the bounds that no I2C EEPROM seen exceeds; FRAM has others."""
    fram = p.write_ms == 0
    assert p.capacity == p.pages * p.page
    assert p.capacity == 1 << 8 * p.address_bytes + p.block_bits or p.block_bits == 0
    assert p.block_bits + p.block_shift <= 3
    assert fram or 3 <= p.write_ms <= 10
    assert 100_000 <= p.endurance[0][1] <= (1e14 if fram else 4_000_000)
    assert [t for t, _ in p.endurance] == sorted(t for t, _ in p.endurance)
    assert [n for _, n in p.endurance] == sorted((n for _, n in p.endurance), reverse=True)
    assert (10 if fram else 40) <= p.retention_years <= 200
    assert p.supply_min_v < p.supply_max_v <= 5.5
    assert {khz for _, khz in p.clocks} <= {100, 400, 1000}


@pytest.mark.parametrize(
    ("name", "capacity", "page", "address_bytes", "block_bits", "block_shift"),
    [
        ("24LC01B", 128, 8, 1, 0, 0),  # DS21711J
        ("24LC04B", 512, 16, 1, 1, 0),  # DS21708K s.5
        ("24LC16B", 2048, 16, 1, 3, 0),  # DS21703D
        ("24LC32A", 4096, 32, 2, 0, 0),  # DS21713M
        ("24LC256", 32768, 64, 2, 0, 0),  # DS20001203W
        ("24LC512", 65536, 128, 2, 0, 0),  # DS21754M
        ("24LC1025", 131072, 128, 2, 1, 2),  # DS20001941L s.5: control byte 1010 B0 A1 A0
        ("M24M01-R", 131072, 256, 2, 1, 0),  # DocID12943 Rev 14; bit 0 from memory
    ],
)
def test_geometry(
    name: str, capacity: int, page: int, address_bytes: int, block_bits: int, block_shift: int
) -> None:
    """Size, page and addressing are those of the data sheets named beside each row."""
    p = part(name)
    assert (capacity, page, address_bytes) == (p.capacity, p.page, p.address_bytes)
    assert (block_bits, block_shift) == (p.block_bits, p.block_shift)


def test_write_protected_area() -> None:
    """The 24xx32AF protects C00h-FFFh (DS22184A t.1-2), AT24HC02C half, others all or nothing."""
    assert part("24LC32AF").protected_from == 0xC00
    assert part("AT24HC02C").protected_from == 0x80
    assert part("24LC32A").protected_from is None


def test_endurance_points() -> None:
    """A part with several points has them all (ROHM TSZ02201-0G1G0G100470-1-2)."""
    expected = ((25, 4e6), (85, 1.2e6), (105, 5e5), (125, 3e5))
    assert expected == part("BR24H32-5AC").endurance
    assert part("FM24C256").endurance[0][1] == 100_000  # rev B.3


@pytest.mark.parametrize(
    ("asked", "name"),
    [
        ("24LC32A", "24LC32A"),
        (" 24lc32a ", "24LC32A"),
        ("24LC32AF", "24LC32AF"),
        ("24LC32A-I/SN", "24LC32A"),
        ("24LC32AT-I/SN", "24LC32A"),
        ("24LC32AFT-I/OT", "24LC32AF"),
        ("AT24C32E-SSHM-T", "AT24C32E"),
        ("M24C32-WMN6TP", "M24C32-W"),
        ("M24M01-DFMN6TP", "M24M01-DF"),
        ("24LC02B", "24LC02B"),
        ("AT24C256C-SSHL-T", "AT24C256C"),
        ("AT24C02", None),
        ("24LC32", None),
        ("24LC32AX", None),
        ("M24C32", None),
        ("M24C32-X", None),
        ("", None),
    ],
)
def test_find(asked: str, name: str | None) -> None:
    """A name is found in either case and with an ordering suffix, and never guessed."""
    found = find(asked)
    assert name == (found.name if found else None)


def test_find_knows_every_name() -> None:
    """Each listed name finds its own part."""
    assert [p.name for p in PARTS] == list(names())
    assert list(PARTS) == [find(n) for n in names()]


def test_search_by_words() -> None:
    """Every word must occur in name, maker or note."""
    assert {"BR24H32-5AC"} == {p.name for p in search("rohm automotive")}
    assert () == search("rohm microchip")


def test_search_by_values() -> None:
    """Size, page and write protection narrow a search together."""
    found = search(capacity=(4096, 8192), page=32, protect=WriteProtect.UPPER_QUARTER)
    assert {"24AA32AF", "24LC32AF", "24LC64F"} == {p.name for p in found}


def test_search_by_supply_and_clock() -> None:
    """A clock counts only at the supply asked for, and a supply only within the part's range."""
    at_1v8 = {p.name for p in search(supply_v=1.8, bus_khz=400)}
    assert "M24C32-R" in at_1v8
    assert "24AA32A" not in at_1v8  # 100 kHz below 2.5 V
    assert "24AA32A" in {p.name for p in search(supply_v=1.8)}
    assert "AT24C32E" not in {p.name for p in search(supply_v=5.0)}  # ends at 3.6 V
    assert "24LC32A" not in {p.name for p in search(bus_khz=1000)}


def test_highest_clock() -> None:
    """A part offers its best clock at the supply, and none outside its range."""
    p = part("24AA32A")
    assert [0, 100, 400, 400, 0] == [p.highest_khz(v) for v in (1.6, 1.7, 2.5, 5.5, 5.6)]
    assert p.highest_khz() == 400


def test_readme_says_how_much_is_from_memory() -> None:
    """The share of values without a document is told where the catalogue is praised."""
    sources = [source for p in PARTS for _, source in p.sources]
    share = sum("from memory" in source for source in sources) / len(sources)
    readme = (Path(__file__).parents[3] / "README.md").read_text("utf-8")
    assert 6 == round(10 * share)
    assert 'a data sheet or, for six in ten, "from memory"' in readme


def test_parts_read_one_by_one_are_those_of_the_file() -> None:
    """The file as a whole holds the same parts, in the same order, with the same keys."""
    text = files("paramstore.schema").joinpath("catalogue.toml").read_text("utf-8")
    whole = tomllib.loads(text)["part"]
    assert list(whole) == list(names())
    assert [part_from_table({"name": n, **keys}) for n, keys in whole.items()] == list(PARTS)


@pytest.mark.parametrize("name", ["24AA01", "24LC01B", "24LC02B", "24LC04B", "24LC04BH", "24LC08B",
                                  "24AA16", "24LC16B", "24LC16BH"])
def test_parts_that_ignore_address_pins_are_one_per_bus(name: str) -> None:
    """Their A0 to A2 are not connected (DS21711J; DS21708K s.5; DS21703D): what the memory address
    does not use of the three bits is ignored, so such a part takes all eight addresses."""
    assert part(name).note.startswith("one per bus: it answers on all eight addresses")


@pytest.mark.parametrize(("name", "others"), [("24LC16BH", "DS21703"), ("24LC04BH", "21708")])
def test_a_part_cites_its_own_sheet(name: str, others: str) -> None:
    """What was read of the part without H is not vouched for by that sheet; DS22118A and DS22119A
    are the sheets of those with H, of which only the protected half was looked up."""
    sources = dict(part(name).sources)
    assert not [s for s in sources.values() if others in s]
    assert "DS2211" in sources["write_protect"]
    assert "from memory" == sources["endurance"]
