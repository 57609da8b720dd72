"""What a store needs of a part is read, each byte once, and nothing else."""

from __future__ import annotations

import pytest

from paramstore.bus.look import alias_ranges, read_part, reread
from paramstore.bus.programmer import Programmer
from paramstore.bus.recognise import recognise
from paramstore.core.errors import FindingsError, SourceText
from paramstore.image.contents import LabelState, unpack
from paramstore.image.pack import pack, used_ranges
from paramstore.releases.history import ReleaseHistory
from paramstore.releases.project import Project, open_project
from paramstore.verify.eeprom.bench import Transferred
from paramstore.verify.eeprom.device import Device
from tests.bus.buses import BenchBus
from tests.bus.kills import PARTS, plan_of
from tests.production.jobs import SCHEMA, plan

PLAN = plan()


def programmer_of(image: bytes, name: str = "") -> Programmer:
    of = plan_of(name) if name else PLAN
    return Programmer(BenchBus(Device(of.part, of.schema.address, image)), of.part,
                      of.schema.address)


@pytest.mark.parametrize("name", PARTS)
def test_labels_and_rings_are_read_and_the_rest_is_a_gap(name: str) -> None:
    """The contents are those of the whole part; every other byte is told as not read."""
    of = plan_of(name)
    image = pack(of, {"trim": {"gain": (5,)}}, defaults=True)
    done: list[int] = []
    seen = read_part(programmer_of(image, name), Project(of, ReleaseHistory()),
                     progress=done.append)
    whole = unpack(of, image)
    assert whole.groups == seen.groups and whole.labels == seen.labels
    read = {at for first, end in (*used_ranges(of), *alias_ranges(of)) for at in range(first, end)}
    lacking = {at for first, end in seen.gaps for at in range(first, end)}
    assert lacking | read == set(range(of.part.capacity))
    assert not lacking & read and len(read) == sum(done)
    every = read_part(programmer_of(image, name), Project(of, ReleaseHistory()), whole=True)
    assert (image, ()) == (every.image, every.gaps)


def test_of_a_foreign_part_only_the_label_is_read() -> None:
    """Its rings are none of ours."""
    other = open_project(SourceText("o.toml", SCHEMA.replace("dosing_pump", "other"))).plan
    programmer = programmer_of(pack(other, {}))
    seen = read_part(programmer, Project(PLAN, ReleaseHistory()))
    assert LabelState.FOREIGN is seen.label_state
    transfers = [e for e in programmer.bus.log if isinstance(e, Transferred)]
    assert sum(t.in_count for t in transfers) < 200
    with pytest.raises(FindingsError, match="PS607"):
        recognise(seen, "part")


def test_a_small_part_is_told_from_its_label_alone() -> None:
    """Copy 0 or, where that is damaged, copy 1 comes again in the second half (PS961). A record
    that looks like a label there does not count."""
    half = bytearray(pack(PLAN, {}))[:PLAN.part.capacity // 2]
    for damaged in (None, 0, 1):
        image = bytearray(half)
        if damaged is not None:
            image[PLAN.label_address(damaged) + 5] ^= 1
        seen = read_part(programmer_of(bytes(image * 2)), Project(PLAN, ReleaseHistory()))
        with pytest.raises(FindingsError, match="PS961"):
            recognise(seen, "part")
    whole = bytearray(pack(PLAN, {}))
    half_way = PLAN.part.capacity // 2
    whole[half_way:half_way + 4] = b"PSL\xd5"
    recognise(read_part(programmer_of(bytes(whole)), Project(PLAN, ReleaseHistory())), "part")


def test_the_same_bytes_are_read_again() -> None:
    """And what changed in them is seen; what was not read stays so."""
    programmer = programmer_of(pack(PLAN, {}))
    seen = read_part(programmer, Project(PLAN, ReleaseHistory()))
    at = PLAN.ring("settings").address(0) + 6
    programmer.bus.device.memory[at] ^= 1
    again = reread(programmer, seen, PLAN)
    assert seen.gaps == again.gaps
    assert [at] == [i for i, (a, b) in enumerate(zip(seen.image, again.image, strict=True))
                    if a != b]
