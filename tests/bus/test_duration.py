"""Time on the bus is that of what must be read and written."""

from __future__ import annotations

import pytest

from paramstore.bus.changes import value_changes
from paramstore.bus.look import read_part
from paramstore.bus.programmer import Programmer
from paramstore.bus.recognise import recognise
from paramstore.bus.work import work_ms, write_changes
from paramstore.image.contents import unpack
from paramstore.image.pack import pack, used_ranges
from paramstore.layout.plan import Plan
from paramstore.releases.history import ReleaseHistory
from paramstore.releases.project import Project
from paramstore.verify.eeprom.device import Device
from tests.bus.buses import BenchBus
from tests.bus.kills import NEW, OLD, PARTS, plan_of

KHZ = 400


def read_ms(plan: Plan, count: int) -> float:
    """Reads of 128 bytes and a rest: two device addresses, the memory address, and nine clocks for
    each byte (UM10204, 3.1.5); START, repeated START and STOP."""
    whole, rest = divmod(count, 128)
    frame = 9 * (2 + plan.part.address_bytes) + 3
    return (whole * (frame + 9 * 128) + (frame + 9 * rest if rest else 0)) / KHZ


def needed_ms(plan: Plan, pages: list[int]) -> tuple[float, float]:
    """The least time to look at a part, and to write pages of so many bytes and look again."""
    half = plan.part.capacity // 2
    again = [(half + at, half + at + plan.label_bytes) for at in map(plan.label_address, (0, 1))]
    used = {at for first, end in (*used_ranges(plan), *again) for at in range(first, end)}
    look = read_ms(plan, len(used))
    write = sum(
        (9 * (1 + plan.part.address_bytes + size) + 2) / KHZ + plan.part.write_ms
        + 2 * read_ms(plan, size) for size in pages)  # looked at, written, read back
    return look, write + look


@pytest.mark.parametrize("name", PARTS)
@pytest.mark.parametrize("start", ["blank", "used"])
def test_only_what_is_needed_is_read_and_written(name: str, start: str) -> None:
    """Within a tenth: a part of 128 Kbytes takes no longer than its dozen used pages. On a blank
    part one look around the first page is added, which tells a wrong part."""
    plan = plan_of(name)
    image = b"\xff" * plan.part.capacity if start == "blank" else pack(plan, OLD)
    bus = BenchBus(Device(plan.part, 0x50, image), KHZ)
    programmer = Programmer(bus, plan.part, 0x50)
    contents = read_part(programmer, Project(plan, ReleaseHistory()))
    recognise(contents, "")
    looked = bus.now_us / 1000
    changes = value_changes(contents, NEW, "", unlock=True)
    look, write = needed_ms(plan, [len(w.data) for w in changes.writes])
    if start == "blank":
        write += 2 * read_ms(plan, 32) + read_ms(plan, min(256, plan.part.capacity))
    assert abs(looked - look) < look / 10
    before = bus.now_us
    write_changes(programmer, changes)
    spent = (bus.now_us - before) / 1000
    assert abs(spent - write) < write / 10, (spent, write)
    assert abs(work_ms(changes, KHZ) - spent) < spent / 10 + 7  # as the preview says
    assert unpack(plan, bytes(bus.device.memory)).group("user").values == NEW["user"]


def test_a_large_part_with_few_pages_takes_a_moment() -> None:
    """24LC1025: 6.1 s when the whole part was read twice."""
    plan = plan_of("24LC1025")
    bus = BenchBus(Device(plan.part, 0x50, pack(plan, OLD)), KHZ)
    programmer = Programmer(bus, plan.part, 0x50)
    changes = value_changes(read_part(programmer, Project(plan, ReleaseHistory())),
                            NEW, "", unlock=True)
    write_changes(programmer, changes)
    assert bus.now_us < 150_000
