"""The manners of a part: every kind of address, pages, patience, read-back."""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest

from paramstore.bus.bus import UNLIMITED
from paramstore.bus.programmer import READ_BYTES, Programmer
from paramstore.core.errors import FindingsError, ToolError
from paramstore.schema import catalogue
from paramstore.schema.part import Part
from paramstore.verify.eeprom.bench import Bench, Transferred
from paramstore.verify.eeprom.device import Device
from paramstore.verify.eeprom.faults import DeadPage

PARTS = {(p.address_bytes, p.block_bits, p.block_shift): p for p in catalogue.all_parts()}
"""One part for each way of addressing in the catalogue."""
NAMES = sorted(p.name for p in PARTS.values())


class NamedBench(Bench):
    """A bench as a bus."""

    name = "bench"
    limits = UNLIMITED

    def claim(self, addresses: Sequence[int], writes: bool) -> None:
        """Nobody else is there."""

    def close(self) -> None:
        """Nothing is open."""


def part_of(name: str) -> Part:
    part = catalogue.find(name)
    assert part is not None
    return part


def bench_of(name: str, image: bytes = b"") -> tuple[NamedBench, Programmer]:
    part = part_of(name)
    bench = NamedBench(Device(part, 0x50, image))
    return bench, Programmer(bench, part, 0x50)


@pytest.mark.parametrize("name", NAMES)
def test_the_whole_part_is_read(name: str) -> None:
    """Each byte from its own address, in transfers that adapters can do."""
    part = part_of(name)
    image = random.Random(1).randbytes(part.capacity)
    bench, programmer = bench_of(name, image)
    done: list[int] = []
    assert image == programmer.read(done.append)
    assert part.capacity == sum(done)
    transfers = [event for event in bench.log if isinstance(event, Transferred)]
    assert max(t.in_count for t in transfers) <= READ_BYTES


@pytest.mark.parametrize("name", NAMES)
def test_pages_go_where_they_belong(name: str) -> None:
    """The first, the last, and one on each side of the middle; nothing else changes."""
    bench, programmer = bench_of(name)
    part = programmer.part
    chance = random.Random(2)
    expected = bytearray(b"\xff" * part.capacity)
    middle = part.capacity // 2
    for address in (0, middle - part.page, middle, part.capacity - part.page):
        content = chance.randbytes(part.page)
        programmer.write_page(address, content)
        expected[address:address + part.page] = content
    assert expected == bench.device.memory
    assert 4 == bench.device.cycles


def test_a_busy_part_is_asked_again_within_bounds() -> None:
    """A write that goes on is waited for; a part that never answers is given up."""
    bench, programmer = bench_of("24LC32A")
    bench.transfer(0x50, b"\0\0\x12", 0)
    assert b"\x12" == programmer.read_at(0, 1)
    assert bench.waited_us <= programmer.part.timeout_us
    other = Programmer(bench, programmer.part, 0x51)
    before = bench.waited_us
    with pytest.raises(ToolError, match="no answer from 0x51 on bench"):
        other.read_at(0, 1)
    assert bench.waited_us - before <= other.part.timeout_us + other.part.poll_us


@pytest.mark.parametrize("protected", [True, False])
def test_a_page_that_does_not_take_its_bytes_is_told(protected: bool) -> None:
    """Write-protected, or worn out."""
    bench, programmer = bench_of("24LC32A")
    if protected:
        bench.device.write_protect = True
    else:
        bench.device.faults.append(DeadPage(2))
    with pytest.raises(FindingsError) as caught:
        programmer.write_page(64, b"\x01\x02")
    (finding,) = caught.value.findings
    assert "PS966" == finding.code
    assert "0x0040" in finding.message and finding.help
