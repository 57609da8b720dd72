"""Which readings of a mount set a flag: the table of PORTING.md, section 4; what none can tell.

Every call goes to both engines, which must not be told apart by anything (see `engines`).
"""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files

import pytest

from paramstore.core.format import skip_limit
from paramstore.core.status import Health, Status
from paramstore.verify.eeprom.bench import Bench
from paramstore.verify.eeprom.faults import Fault
from tests.engines import Engines
from tests.record.plans import EXAMPLE
from tests.verify.rig.stores import LIMITS, USED
from tests.verify.twin import rings

SLOTS, NEWEST = 6, 9  # on the second lap: slots 0 to 2 hold 7, 8 and 9, slots 3 to 5 hold 4, 5, 6
RING = rings.ring_plan(SLOTS)
AT = RING.rings[0].address


class ReadsWrong(Fault):
    """The first `times` transfers that read the byte at `address` read it wrong: all ones, or one
    bit inverted."""

    def __init__(self, bench: Bench, address: int, ones: bool, times: int) -> None:
        self._bench = bench
        self._address = address
        self._ones = ones
        self._left = times
        self._transfer = -1

    def read(self, address: int, value: int) -> int:
        if not self._address <= address < self._address + 4:
            return value
        if address == self._address and len(self._bench.log) != self._transfer:
            self._transfer = len(self._bench.log)
            self._left -= 1
        if self._left < 0:
            return value
        return 0xFF if self._ones else value ^ (address == self._address)


def table() -> list[tuple[str, str, str]]:
    """The rows of the table: what is read wrong, and what mount says after one and after two."""
    page = (files("paramstore.firmware") / "PORTING.md").read_text("utf-8")
    text = page.partition("| read wrong by `ps_mount` |")[2].partition("\n\n")[0]
    rows = [tuple(cell.strip() for cell in line.strip("|").split("|"))
            for line in text.splitlines()[2:]]
    return [(what, once, twice) for what, once, twice in rows]


SECOND_LAP = bytes(rings.image(RING, NEWEST))
FIRST_LAP = bytes(rings.image(RING, 3))
PLACES = {  # in the words of the table: the part, the byte, and whether it reads FF, None: either
    "label copy 0": (RING, SECOND_LAP, 0, None),
    "head of slot 0, as `FF`": (RING, SECOND_LAP, AT(0), True),
    "head of slot 0, as anything else": (RING, SECOND_LAP, AT(0), False),
    "head of another slot that is looked at": (RING, SECOND_LAP, AT(3), None),
    "head of the newest record, as `FF`, on the first lap of its ring": (
        RING, FIRST_LAP, AT(2), True),
    "body of the newest record": (RING, SECOND_LAP, AT(2) + 5, None),
    "a copy": (EXAMPLE, USED, LIMITS.address(0) + 8, None),
}


def said(place: str, ones: bool, times: int) -> str:
    """What mount says, in the words of the table."""
    plan, memory, address, _ = PLACES[place]
    whole, engines = Engines(plan, memory), Engines(plan, memory)
    assert Status.OK is whole.call("mount")
    engines.each(lambda bench: bench.device.faults.append(
        ReadsWrong(bench, address, ones, times)))
    status = engines.call("mount")
    group = plan.rings[0].group.name
    flags = engines.twin.health(group)
    words = [f"`PS_HEALTH_{flag.name}`" for flag in Health if flag in flags]
    if status is Status.FLAGGED and not flags:
        words = ["`PS_FLAGGED`, no flag of a group"]
    older = whole.twin.sequence(group) - engines.twin.sequence(group)
    return "; ".join([*words, *["the record before is served"] * (older == 1)]) or "nothing"


def test_the_table_has_every_place() -> None:
    """And no other."""
    assert list(PLACES) == [what for what, _, _ in table()]


@pytest.mark.parametrize("row", table(), ids=lambda row: row[0])
def test_mount_says_what_the_table_says(row: tuple[str, str, str]) -> None:
    """Of one wrong reading, and of two that are alike."""
    place, once, twice = row
    as_ones = PLACES[place][3]
    for ones in (True, False) if as_ones is None else (as_ones,):
        assert (once, twice) == (said(place, ones, 1), said(place, ones, 2))


# ---- What cannot be told: FORMAT.md, sections 2 and 4 ----


def gaps(slots: int, wide: int) -> Iterator[tuple[int, Engines]]:
    """Parts with all records of the first lap but one; the heads of `wide` neighbouring slots
    before the newest one are erased. With the number of the newest record."""
    ring = rings.ring_plan(slots).rings[0]
    for newest in range(wide + 2, slots + 1):
        memory = rings.image(rings.ring_plan(slots), newest)
        for slot in range(newest - 1 - wide, newest - 1):
            memory[ring.address(slot):ring.address(slot) + 4] = b"\xff" * 4
        yield newest, Engines(rings.ring_plan(slots), bytes(memory))


def test_a_newer_record_behind_a_gap_is_found_or_missed_without_a_flag() -> None:
    """As many slots as a commit may pass over hide nothing; one more may hide the newest record."""
    slots, limit = 10, skip_limit(10)
    for wide in range(1, limit + 1):
        for newest, engines in gaps(slots, wide):
            assert engines.call("mount") in (Status.OK, Status.FLAGGED)
            assert newest == engines.twin.sequence("count")
    missed = []
    for newest, engines in gaps(slots, limit + 1):
        status = engines.call("mount")
        if engines.twin.sequence("count") != newest:
            missed.append((status, engines.twin.health("count")))
    assert missed and {(Status.OK, Health(0))} == set(missed)


def test_a_damaged_label_copy_1_is_not_flagged() -> None:
    """Whichever byte of it, as long as copy 0 is whole; a format writes it again."""
    for at in range(RING.label_bytes):
        memory = bytearray(SECOND_LAP)
        memory[RING.label_address(1) + at] ^= 0x40
        engines = Engines(RING, bytes(memory))
        assert Status.OK is engines.call("mount")
        assert Health(0) == engines.twin.health("count")
        assert Status.OK is engines.call("format")
        assert engines.device.memory == SECOND_LAP
