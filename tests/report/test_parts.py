"""What is shown of parts: a list, one part, data, and help where nothing is found."""

from __future__ import annotations

import json

import pytest

from paramstore.report.parts import (
    cycles_text,
    nothing_found,
    part_text,
    parts_data,
    parts_text,
)
from paramstore.schema.catalogue import all_parts, find, search
from paramstore.schema.part import Part
from paramstore.schema.part_table import part_from_table


def part(name: str) -> Part:
    found = find(name)
    assert found is not None
    return found


def test_list() -> None:
    """A part is one line: size, page, address bytes and bits, write cycle, endurance, supply..."""
    lines = parts_text([part("24LC16B"), part("24AA32AF")]).splitlines()
    assert lines[3].split() == [
        "24LC16B", "Microchip", "2048", "16", "1+3", "5", "1", "M", "2.5-5.5", "400", "whole"]
    assert lines[4].split() == [
        "24AA32AF", "Microchip", "4096", "32", "2", "5", "1", "M", "1.7-5.5", "100-400", "upper",
        "quarter"]
    assert lines[-1].startswith("2 parts.")


def test_list_at_a_supply() -> None:
    """The clock shown is the one at the supply asked for."""
    lines = parts_text([part("24AA32A")], supply_v=1.8).splitlines()
    assert "kHz at 1.8 V" in lines[1]
    assert lines[3].split()[-2:] == ["100", "whole"]


def test_list_is_narrow() -> None:
    """The whole catalogue fits in 100 columns."""
    assert max(map(len, parts_text(all_parts()).splitlines())) <= 100


@pytest.mark.parametrize("p", all_parts(), ids=lambda p: p.name)
def test_one_part_names_every_source(p: Part) -> None:
    """Every value of a part is shown beside its source, in at most 110 columns."""
    text = part_text(p)
    assert all(source in text for key, source in p.sources if key != "maker")
    assert max(map(len, text.splitlines())) <= 110


def test_one_part() -> None:
    """Addressing, protected area and derating are spelt out."""
    text = part_text(part("24LC1025"))
    assert "1024 kbit in 1024 pages of 128 bytes" in text
    assert "Note: pin A2 must be tied to the supply" in text
    assert "bit 2 of the device address" in text
    assert "1 M at 25 degC" in text
    assert "268 k at 85 degC, derated here" in text
    assert "upper quarter, from 0x0C00" in part_text(part("24LC32AF"))
    assert "derated" not in part_text(part("M24C32-W"))


def test_part_without_sources() -> None:
    """A part described in a schema is shown too, sources or not."""
    inline = part_from_table({"name": "X", "capacity": 512, "page": 16, "address_bytes": 1,
                              "write_ms": 5, "endurance": [[25, 3e5]], "clocks": [[2.7, 100]]})
    assert "300 k at 25 degC" in part_text(inline)


def test_data() -> None:
    """The data go through JSON and describe the same part again."""
    (data,) = json.loads(json.dumps(parts_data([part("24LC1025")])))["parts"]
    assert data["block_bits"] == 1
    assert data["sources"]["block_shift"] == "DS20001941L s.5-6"
    derived = ("block_bits", "pages", "protected_from", "sources")
    again = part_from_table({k: v for k, v in data.items() if k not in derived})
    assert (again.capacity, again.clocks) == (131072, ((2.5, 400),))


@pytest.mark.parametrize(
    ("cycles", "text"),
    [(1e6, "1 M"), (1.2e6, "1.2 M"), (267902.0, "268 k"), (1e5, "100 k"), (26790.2, "26.8 k")],
)
def test_cycles(cycles: float, text: str) -> None:
    """Cycles are told as data sheets do."""
    assert text == cycles_text(cycles)


OTHERS = ("`paramstore parts` lists all of them; a schema can describe any other part in a table "
          "`[store.part]`")


def test_nothing_found_says_which_wish_to_drop() -> None:
    """Each wish whose absence gives results is named with their number."""
    asked = {"page": 128, "supply_v": 1.8, "bus_khz": 1000}
    said = {"page": "--page 128", "supply_v": "--supply 1.8", "bus_khz": "--khz 1000"}
    assert search(**asked) == ()
    message, help_text = nothing_found(asked, said)
    assert message == "no part matches --page 128 --supply 1.8 --khz 1000"
    counts = [len(search(**{k: v for k, v in asked.items() if k != gone})) for gone in asked]
    expected = zip(said.values(), counts, strict=True)
    assert help_text == "; ".join([
        *(f"without {way}: {count}" for way, count in expected), OTHERS])


def test_nothing_found_suggests_a_name() -> None:
    """A misspelt name is answered with near ones; else the whole list is pointed at."""
    assert "`24LC32A`" in nothing_found({"text": "24LC23A"}, {"text": "`24LC23A`"})[1]
    expected = ("no part matches `zzz`", OTHERS)
    assert expected == nothing_found({"text": "zzz"}, {"text": "`zzz`"})
