"""Writing to a part through trouble: nothing is lost, and a repeated write ends the work."""

from __future__ import annotations

from pathlib import Path

import pytest

from paramstore.bus.changes import recognise, value_changes
from paramstore.bus.programmer import Programmer
from paramstore.bus.work import keep_backup, write_changes
from paramstore.eeprom.bench import Bench
from paramstore.eeprom.device import Device
from paramstore.eeprom.faults import CutAtWrite, DeadPage, Tear, Torn
from paramstore.errors import FindingsError, ToolError
from paramstore.image.contents import unpack
from paramstore.image.pack import complete, pack
from paramstore.rig.twin import TwinRig
from paramstore.status import Status
from tests.bus.parts import contents_of, programmer_at
from tests.production.jobs import plan

PLAN = plan()
OLD, NEW = complete(PLAN, {}), complete(PLAN, {
    "identity": {"board": (3,)}, "trim": {"low": (20,)}, "settings": {"quiet": (1,)}})
BLANK = b"\xff" * PLAN.part.capacity
TEARS = (Torn.OLD, Torn.NEW, Torn.PREFIX, Torn.SUFFIX, Torn.ERASED, Torn.ZEROS, Torn.MIX,
         Torn.NOISE)


def write(programmer: Programmer) -> None:
    """What the command does, without its questions."""
    contents = unpack(PLAN, programmer.read())
    recognise(contents, programmer.name)
    write_changes(programmer, value_changes(contents, NEW, programmer.name, unlock=True))


@pytest.mark.parametrize("tear", TEARS)
@pytest.mark.parametrize("start", ["blank", "used"])
def test_a_cut_at_every_page_is_mended_by_repeating(start: str, tear: Torn, tmp_path: Path) -> None:
    """Each group is as before or as wanted, the firmware accepts the part or calls it blank, and
    the next write ends the work."""
    path, image = tmp_path / "part.bin", BLANK if start == "blank" else pack(PLAN, OLD)
    cut = 1
    while True:
        programmer = programmer_at(path, PLAN, image, [CutAtWrite(cut, Tear(tear, 3, cut))])
        try:
            write(programmer)
            break
        except ToolError as error:
            assert "lost its power" in error.message
        for group in contents_of(path, PLAN).groups:
            name = group.ring.group.name
            assert group.values in (OLD[name], NEW[name])
        rig = TwinRig(PLAN, Bench(Device(PLAN.part, PLAN.schema.address, path.read_bytes())))
        assert rig.mount() in (Status.OK, Status.FLAGGED, Status.BLANK)
        write(programmer_at(path, PLAN))
        after = contents_of(path, PLAN)
        assert NEW == {g.ring.group.name: g.values for g in after.groups}
        rig = TwinRig(PLAN, Bench(Device(PLAN.part, PLAN.schema.address, path.read_bytes())))
        assert rig.mount() in (Status.OK, Status.FLAGGED)
        assert NEW == {name: rig.values(name) for name in NEW}
        cut += 1
    assert cut > (10 if start == "blank" else 5)


def test_a_dead_page_stops_the_work_and_keeps_the_old_values(tmp_path: Path) -> None:
    """The page is named; the group it belongs to is as it was."""
    path = tmp_path / "part.bin"
    ring = PLAN.ring("settings")
    page = ring.address(1) // PLAN.part.page
    programmer = programmer_at(path, PLAN, pack(PLAN, OLD), [DeadPage(page)])
    with pytest.raises(FindingsError, match="PS966"):
        write(programmer)
    assert OLD["settings"] == contents_of(path, PLAN).group("settings").values


def test_a_neighbour_on_the_bus_is_noticed(tmp_path: Path) -> None:
    """The whole part is read once more at the end."""
    path = tmp_path / "part.bin"
    programmer = programmer_at(path, PLAN, pack(PLAN, OLD))
    contents = unpack(PLAN, programmer.read())
    changes = value_changes(contents, NEW, "part", unlock=True)

    def meddle(_: int) -> None:
        programmer.bus.bench.device.memory[-1] = 0x5A

    with pytest.raises(FindingsError, match="changed while other pages"):
        write_changes(programmer, changes, meddle)


def test_a_backup_is_never_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By default the next number; a name that is taken is refused, and a missing folder."""
    monkeypatch.chdir(tmp_path)
    assert ["pump.before-0001.bin", "pump.before-0002.bin"] == [
        keep_backup(content, None, "pump") for content in (b"one", b"two")]
    assert b"one" == Path("pump.before-0001.bin").read_bytes()
    assert "mine.bin" == keep_backup(b"three", "mine.bin", "pump")
    with pytest.raises(ToolError, match="never written over"):
        keep_backup(b"four", "mine.bin", "pump")
    with pytest.raises(ToolError, match="cannot write the backup"):
        keep_backup(b"five", "nowhere/mine.bin", "pump")
