"""The wrong part in the holder is named after one page, and a right one costs no page more."""

from __future__ import annotations

from dataclasses import replace

import pytest

from paramstore.bus.first_page import write_first_page
from paramstore.bus.programmer import PageFault, Programmer
from paramstore.bus.steps import Put
from paramstore.core.errors import FindingsError
from paramstore.schema.part import Part
from paramstore.verify.eeprom.device import Device
from tests.bus.test_programmer import NAMES, NamedBench, part_of

LABEL = bytes.fromhex("50534cd5 0145 0000 a2198938 f8b4cece 70756d705f64726976650000 d592f1eb")


def first_page(planned: str, fitted: Part) -> tuple[NamedBench, FindingsError | None]:
    """Write a label's first page with the manners of one part to another one."""
    bench = NamedBench(Device(fitted, 0x50))
    part = part_of(planned)
    label = LABEL[:min(len(LABEL), part.page)]
    at = -(-len(LABEL) // part.page) * part.page
    try:
        write_first_page(Programmer(bench, part, 0x50), Put(at, label, "label"))
    except FindingsError as error:
        return bench, error
    assert label == bench.device.memory[at:at + len(label)]
    return bench, None


@pytest.mark.parametrize("name", NAMES)
def test_the_right_part_takes_it_in_one_cycle(name: str) -> None:
    """And nothing else changes."""
    bench, error = first_page(name, part_of(name))
    assert (None, 1) == (error, bench.device.cycles)
    kept = bench.device.memory.translate(None, b"\xff")
    assert len(kept) <= len(LABEL)


@pytest.mark.parametrize(("planned", "fitted", "page", "told"), [
    ("24LC32A", "24LC32A", 16, "has pages of 16 bytes, not 32"),
    ("24LC32A", "24LC32A", 8, "has pages of 8 bytes, not 32"),
    ("24LC256", "24LC256", 32, "has pages of 32 bytes, not 64"),
    ("24LC32A", "24LC32A", 64, "has pages of 64 bytes, not 32"),
    ("24LC02B", "24LC02B", 16, "has pages of 16 bytes, not 8"),
    ("24LC16B", "24LC16B", 8, "has pages of 8 bytes, not 16"),
    ("24LC1025", "24LC1025", 64, "has pages of 64 bytes, not 128"),
])
def test_other_pages_are_named_and_taken_back(planned: str, fitted: str, page: int,
                                              told: str) -> None:
    """A smaller page rolls over too early, a larger one not at all."""
    bench, error = first_page(planned, replace(part_of(fitted), page=page))
    assert error is not None and f"PS961] the part is no {planned}: it {told}" in str(error)
    assert b"\xff" * len(bench.device.memory) == bench.device.memory
    assert 2 >= bench.device.cycles


@pytest.mark.parametrize(("planned", "half"), [
    ("24LC32A", 2048), ("24LC256", 16384), ("24LC02B", 128), ("24LC256", 8192)])
def test_half_a_part_is_named_and_taken_back(planned: str, half: int) -> None:
    """What is written shows up again in the second half."""
    bench, error = first_page(planned, replace(part_of(planned), capacity=half, block_bits=0))
    assert error is not None and "has less than its" in str(error)
    assert b"\xff" * half == bench.device.memory


@pytest.mark.parametrize(("planned", "fitted", "told"), [
    ("24LC32A", "24LC02B", "takes one byte of memory address, not 2"),
    ("24LC32A", "24LC16B", "takes one byte of memory address, not 2"),
    ("24LC256", "24LC16B", "takes one byte of memory address, not 2"),
    ("24LC02B", "24LC32A", "takes two bytes of memory address, not 1"),
    ("24LC02B", "24LC256", "takes two bytes of memory address, not 1"),
])
def test_addresses_of_another_length_are_named(planned: str, fitted: str, told: str) -> None:
    """The part is asked in its own way what it has."""
    bench, error = first_page(planned, part_of(fitted))
    assert error is not None and told in str(error)
    assert 1 == bench.device.cycles


def test_write_protection_is_not_taken_for_another_part() -> None:
    """A page that stays as it was."""
    bench = NamedBench(Device(part_of("24LC32A"), 0x50))
    bench.device.write_protect = True
    with pytest.raises(PageFault, match="does not take what is written"):
        write_first_page(Programmer(bench, part_of("24LC32A"), 0x50), Put(32, LABEL, "label"))


@pytest.mark.parametrize("name", ["MB85RC16V", "FM24CL64B", "FM24V10"])
def test_a_part_without_pages_is_written_straight_on(name: str) -> None:
    """FRAM does not roll over inside what a store takes for a page; half a part is told all the
    same."""
    whole = replace(part_of(name), page=256)  # rolls over so far behind that it never does here
    bench, error = first_page(name, whole)
    assert (None, 1) == (error, bench.device.cycles)
    if whole.block_bits:
        return  # its addresses tell that before
    bench, error = first_page(name, replace(whole, capacity=whole.capacity // 2))
    assert error is not None and "has less than its" in str(error)
    assert bench.device.memory.count(0xFF) == len(bench.device.memory)
